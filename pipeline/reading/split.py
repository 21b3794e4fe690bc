"""Bytes to physical lines: line ends, byte order marks, chunks cut at line ends."""

from __future__ import annotations

import codecs
from collections.abc import Iterator
from dataclasses import dataclass
from typing import BinaryIO

import numpy as np
import numpy.typing as npt

from pipeline.reading.table import MAX_LINE

CHUNK_BYTES = 32_000_000  # a few chunks' worth of work space must fit in a small computer's memory

_COUNTED_BYTES = 1 << 22
LONGEST = 4 * MAX_LINE
"""Bytes of which a line of MAX_LINE signs has fewer, whatever its encoding."""

Offsets = npt.NDArray[np.int64]


class UndecodableFile(Exception):
    """A UTF-16 file that cannot be decoded, so that its lines cannot be told apart."""


@dataclass(frozen=True)
class Content:
    """A file's bytes without byte order mark, every line ended by LF (or CRLF), and their encoding."""

    data: bytes
    encoding: str

    def count_lines(self) -> int:
        """Physical lines; a final line end opens no further line."""
        return self.data.count(b"\n") + bool(self.data and not self.data.endswith(b"\n"))

    def offset_of(self, line: int) -> int:
        """Byte at which a physical line (from 1) begins; the file's size where it has fewer lines."""
        offset = 0
        for _ in range(line - 1):
            offset = self.data.find(b"\n", offset) + 1
            if offset == 0:
                return len(self.data)
        return offset

    def lines_from(self, offset: int) -> Iterator[bytes]:
        """Each line from a line's first byte on, without its line end; reads no further than asked."""
        while offset < len(self.data):
            end = self.data.find(b"\n", offset)
            yield self.data[offset:] if end < 0 else self.data[offset:end].removesuffix(b"\r")
            offset = len(self.data) if end < 0 else end + 1


@dataclass(frozen=True)
class Chunk:
    """Whole lines of a file: line i is `data[starts[i]:ends[i]]`, physical line `first_line + i`."""

    data: bytes
    encoding: str
    first_line: int
    starts: Offsets
    ends: Offsets

    def line(self, i: int) -> bytes:
        """Line i without its line end."""
        return self.data[self.starts[i] : self.ends[i]]


def open_content(data: bytes, encoding: str) -> Content:
    """Drop a byte order mark and bring lone CRs (in a file without LF) and UTF-16 to the common form.

    Raises UndecodableFile for UTF-16 that does not decode.
    """
    if encoding == "utf-16":
        data, encoding = _from_utf16(data), "utf-8"
    else:
        data = data.removeprefix(codecs.BOM_UTF8)
    if b"\n" not in data and b"\r" in data:
        data = data.replace(b"\r", b"\n")
    return Content(data, encoding)


def _from_utf16(data: bytes) -> bytes:
    marked = data.startswith((codecs.BOM_UTF16_LE, codecs.BOM_UTF16_BE))
    try:
        return data.decode("utf-16" if marked else "utf-16-le").encode("utf-8")
    except UnicodeDecodeError as error:
        raise UndecodableFile(f"not UTF-16 text: byte {error.start + 1} does not decode") from error


def chunks(content: Content, offset: int, first_line: int) -> Iterator[Chunk]:
    """The lines from a byte offset on, in chunks of about CHUNK_BYTES cut at line ends."""
    data = content.data
    while offset < len(data):
        stop = data.rfind(b"\n", offset, offset + CHUNK_BYTES) + 1
        if stop == 0:
            stop = data.find(b"\n", offset + CHUNK_BYTES) + 1 or len(data)
        chunk = cut(data[offset:stop], content.encoding, first_line)
        yield chunk
        offset, first_line = stop, first_line + len(chunk.starts)


def blocks(stream: BinaryIO, first_line: int) -> Iterator[tuple[int, bytes]]:
    """The lines of a file from `first_line` on, in blocks of about CHUNK_BYTES cut at line ends, each with
    the number of its first line. For files whose lines end in LF; a byte order mark is dropped."""
    line, rest = 1, b""
    while data := stream.read(CHUNK_BYTES):
        if line == 1 and not rest:
            data = data.removeprefix(codecs.BOM_UTF8)
        if len(rest) > LONGEST:
            # Of a line without an end in sight only as much is kept as shows that it is too long.
            end = data.find(b"\n")
            rest = rest[: LONGEST + 1] + (data[end:] if end >= 0 else b"")
        else:
            rest += data
        stop = rest.rfind(b"\n") + 1
        if stop:
            block, rest = rest[:stop], rest[stop:]
            before = line
            line += block.count(b"\n")
            if line > first_line:
                yield _from_line(block, before, first_line)
    if rest:
        yield _from_line(rest, line, first_line)


def count_lines_of(stream: BinaryIO) -> int | None:
    """`count_lines` of a file of any size, read part by part; None for UTF-16 that does not decode."""
    start = stream.read(len(codecs.BOM_UTF8))
    is_utf16 = start.startswith((codecs.BOM_UTF16_LE, codecs.BOM_UTF16_BE))
    encoding = "utf-16" if is_utf16 else "latin-1"
    decode = codecs.getincrementaldecoder(encoding)().decode
    feeds = returns = 0
    last, data = "", start.removeprefix(codecs.BOM_UTF8) or stream.read(_COUNTED_BYTES)
    try:
        while data:
            text = decode(data)
            feeds, returns = feeds + text.count("\n"), returns + text.count("\r")
            last = text[-1:] or last
            data = stream.read(_COUNTED_BYTES)
        decode(b"", True)
    except UnicodeDecodeError:
        return None
    ends, end = (feeds, "\n") if feeds else (returns, "\r")
    return ends + (last not in ("", end))


def _from_line(block: bytes, line: int, first_line: int) -> tuple[int, bytes]:
    """A block that begins with `line`, without the lines before `first_line`."""
    if line >= first_line:
        return line, block
    return first_line, block[Content(block, "utf-8").offset_of(first_line - line + 1) :]


def cut(data: bytes, encoding: str, first_line: int) -> Chunk:
    """A chunk with the places of its lines, from whole lines or from a last line without a line end."""
    buffer = np.frombuffer(data, np.uint8)
    feeds = np.flatnonzero(buffer == 0x0A)
    starts = np.concatenate([[0], feeds + 1])
    ends = feeds - (buffer[feeds - 1] == 0x0D)
    if starts[-1] == len(data):
        starts = starts[:-1]
    else:
        ends = np.append(ends, len(data))
    return Chunk(data, encoding, first_line, starts, ends)

"""The archive: every original, byte for byte, named by its SHA-256, and the index of what was dropped."""

from __future__ import annotations

import csv
import hashlib
import io
import os
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from threading import get_ident
from typing import BinaryIO

from pipeline.ids import text_id
from pipeline.intake.appended import append_rows
from pipeline.rights import make_private_folder, private

_BLOCK = 1 << 16
HEADER = ("drop_id", "file_id", "path", "received_at", "size")


@dataclass(frozen=True)
class Drop:
    """A file that was dropped: `number` is its place in the index, the first being 1."""

    number: int
    drop_id: str
    file_id: str
    path: str
    received_at: datetime
    size: int


def drop_id_of(path: str, size: int, mtime_ns: int, file_id: str) -> str:
    """Id of a drop: path, size, time and content together."""
    return text_id(f"{path}|{size}|{mtime_ns}|{file_id}")


def store(archive: Path, file: Path) -> tuple[str, int]:
    """Copy a file into the archive under its SHA-256; (that hash, bytes copied).

    The copy is on disk before this returns, and made in one step; a content that is there already is left
    as it is. Reads a part at a time, so that a file of any size fits.
    """
    make_private_folder(archive)
    part = archive / f".{os.getpid()}-{get_ident()}.part"
    digest, size = hashlib.sha256(), 0
    try:
        with file.open("rb") as source, open(part, "wb", opener=private) as copy:
            while block := source.read(1 << 20):
                digest.update(block)
                size += len(block)
                copy.write(block)
            copy.flush()
            os.fsync(copy.fileno())
        target = archive / digest.hexdigest()
        if not target.exists():
            part.replace(target)
    finally:
        part.unlink(missing_ok=True)
    return digest.hexdigest(), size


def load(archive: Path, file_id: str) -> bytes:
    """The original content; OSError where it is gone."""
    return (archive / file_id).read_bytes()


def start_of(archive: Path, file_id: str, size: int) -> bytes:
    """The first whole lines of an original, of about `size` bytes; OSError where it is gone."""
    with open_original(archive, file_id) as stream:
        data = stream.read(size)
    return data[: data.rfind(b"\n") + 1] or data


def open_original(archive: Path, file_id: str) -> BinaryIO:
    """The original content, to be read part by part; OSError where it is gone."""
    return (archive / file_id).open("rb")


def append_index(archive: Path, drops: list[Drop]) -> None:
    """Add drops to the index, on disk before this returns."""
    if not drops:
        return
    index = archive / "index.csv"
    # A torn last line names a drop that nothing was made of: its file is still in the inbox.
    if index.exists():
        with index.open("r+b") as stream:
            stream.truncate(_end_of_lines(stream))
    append_rows(
        index,
        HEADER,
        [
            (d.drop_id, d.file_id, d.path, d.received_at.isoformat(timespec="microseconds"), d.size)
            for d in drops
        ],
    )


def _end_of_lines(stream: BinaryIO) -> int:
    """Where the last whole line of a file ends."""
    at = stream.seek(0, os.SEEK_END)
    while at > 0:
        start = max(0, at - _BLOCK)
        stream.seek(start)
        feed = stream.read(at - start).rfind(b"\n")
        if feed >= 0:
            return start + feed + 1
        at = start
    return 0


@dataclass(frozen=True)
class Mark:
    """How much of the index was looked at: its first `end` bytes, with so many drops."""

    end: int = 0
    drops: int = 0


def read_index(archive: Path) -> list[Drop]:
    """All drops in order; a torn line (the power failed while it was written) is passed over."""
    return read_index_from(archive, Mark())[0]


def read_index_from(archive: Path, mark: Mark) -> tuple[list[Drop], Mark]:
    """The drops beyond a mark, and the mark behind them. An index that is shorter than the mark is another
    one, and is read from its start."""
    index = archive / "index.csv"
    if not index.exists():
        return [], Mark()
    with index.open("rb") as stream:
        end = _end_of_lines(stream)
        if end < mark.end:
            mark = Mark()
        stream.seek(mark.end)
        text = stream.read(end - mark.end).decode("utf-8", "surrogateescape")
    drops: list[Drop] = []
    for row in csv.reader(io.StringIO(text, newline="")):
        drop = _drop_of(row, mark.drops + len(drops) + 1)
        if drop is not None:
            drops.append(drop)
    return drops, Mark(end, mark.drops + len(drops))


def has_drops(archive: Path) -> bool:
    """Whether anything was ever taken in."""
    return (archive / "index.csv").is_file()


def _drop_of(row: list[str], number: int) -> Drop | None:
    if len(row) != len(HEADER) or row[0] == HEADER[0] or len(row[1]) != 64:
        return None
    try:
        at = datetime.fromisoformat(row[3])
        size = int(row[4])
    except ValueError:
        return None
    return Drop(number, row[0], row[1], row[2], at, size)


def utc_now() -> datetime:
    """Now, in UTC, without a zone, to the microsecond."""
    return datetime.now(UTC).replace(tzinfo=None)

"""Archived files with somebody's lines left blank; everything else in them stays as it was."""

from __future__ import annotations

import html
import io
import re
import zipfile
from collections.abc import Callable, Collection

_ROW = re.compile(r"<((?:\w+:)?)row\b([^>]*?)(/>|>.*?</\1row>)", re.DOTALL)
_ITEM = re.compile(r"<((?:\w+:)?)si\b[^>]*>.*?</\1si>", re.DOTALL)
_TEXT = re.compile(r"<(?:\w+:)?t\b[^>]*>(.*?)</(?:\w+:)?t>", re.DOTALL)
_SHARED = re.compile(r"<(?:\w+:)?c\b[^>]*\bt=\"s\"[^>]*>.*?<(?:\w+:)?v>(\d+)</", re.DOTALL)
_INLINE = re.compile(r"<(?:\w+:)?is\b[^>]*>(.*?)</(?:\w+:)?is>", re.DOTALL)
_STRINGS = "xl/sharedStrings.xml"


def is_workbook(data: bytes) -> bool:
    """Whether the bytes are a zip archive, as workbooks are."""
    return data.startswith(b"PK")


def physical_lines(text: str) -> list[str]:
    """Lines with their ends: LF or CRLF; a lone CR ends lines only in a text with no LF."""
    return list(io.StringIO(text, newline="\n" if "\n" in text else "\r"))


def emptied_lines(data: bytes, lines: Collection[int]) -> bytes:
    """A text with some physical lines (the first being 1) left blank; every other byte as it was."""
    wide = data.startswith((b"\xff\xfe", b"\xfe\xff"))
    code = ("utf-16-le" if data[:1] == b"\xff" else "utf-16-be") if wide else "latin-1"
    kept = (
        piece if number not in lines else piece[len(piece.rstrip("\r\n")) :]
        for number, piece in enumerate(physical_lines(data.decode(code)), start=1)
    )
    return "".join(kept).encode(code)


def emptied_workbook(data: bytes, is_theirs: Callable[[str], bool]) -> tuple[bytes, int]:
    """A workbook (Office Open XML) without the cells of each row that has a cell of theirs; how many rows.

    Their texts go from the shared strings too. Raises zipfile.BadZipFile where it is none.
    """
    with zipfile.ZipFile(io.BytesIO(data)) as book:
        parts = [(info, book.read(info)) for info in book.infolist()]
    strings = next((part.decode("utf-8") for info, part in parts if info.filename == _STRINGS), "")
    theirs = {n for n, item in enumerate(_ITEM.finditer(strings)) if is_theirs(_text_of(item[0]))}
    rows = 0

    def row(found: re.Match[str]) -> str:
        nonlocal rows
        shared = any(int(number) in theirs for number in _SHARED.findall(found[3]))
        if not shared and not any(is_theirs(_text_of(inline)) for inline in _INLINE.findall(found[3])):
            return found[0]
        rows += 1
        return f"<{found[1]}row{found[2]}/>"

    def item(found: re.Match[str]) -> str:
        if not is_theirs(_text_of(found[0])):
            return found[0]
        return f"<{found[1]}si><{found[1]}t></{found[1]}t></{found[1]}si>"

    out = io.BytesIO()
    with zipfile.ZipFile(out, "w") as book:
        for info, part in parts:
            if info.filename.startswith("xl/worksheets/") and info.filename.endswith(".xml"):
                part = _ROW.sub(row, part.decode("utf-8")).encode("utf-8")
            elif info.filename == _STRINGS:
                part = _ITEM.sub(item, strings).encode("utf-8")
            book.writestr(info, part, compress_type=zipfile.ZIP_DEFLATED)
    return out.getvalue(), rows


def _text_of(xml: str) -> str:
    return html.unescape("".join(_TEXT.findall(xml)))

"""Files that yardmark wrote for people to read, dropped back into the inbox: they are no exports."""

from __future__ import annotations

import io
import zipfile
import zlib

from pipeline.facility.sheet_text import read_records, spelling_of
from schemas.coach_files import NORMS_MARK, TODAY, WORKBOOK_MARK
from schemas.tables import TABLES, columns_of

_HEADERS = (
    *(frozenset(columns_of(table)) for table in TABLES.values() if table.as_csv),
    frozenset(TODAY),
    frozenset(NORMS_MARK),
)
_TELLING = tuple(max(sorted(own), key=len).encode() for own in _HEADERS)
_START = 4_000


def is_own_output(data: bytes) -> bool:
    """Whether a file has the header row of a published table, of today's sheet or of the norms, however a
    spreadsheet saved it; or is the coach's workbook."""
    if data.startswith(b"PK\x03\x04"):
        return _is_own_workbook(data)
    start = data[:_START]
    # Exports hardly have one of these words, so that nothing is split for them.
    plain = start.replace(b"\x00", b"")
    if not any(word in plain for word in _TELLING):
        return False
    whole = start.rsplit(b"\n", 1)[0] if b"\n" in start else start
    known = sorted(frozenset[str]().union(*_HEADERS))
    _, header, _ = read_records(whole, "", known)
    names = {spelling_of(cell) for cell in header.cells} if header else set()
    return any(own <= names for own in _HEADERS)


def _is_own_workbook(data: bytes) -> bool:
    try:
        with zipfile.ZipFile(io.BytesIO(data)) as book, book.open("docProps/core.xml") as made:
            return WORKBOOK_MARK.encode() in made.read(_START)  # no more: it may be blown up
    except (zipfile.BadZipFile, zlib.error, EOFError, KeyError, OSError, RuntimeError, NotImplementedError):
        return False

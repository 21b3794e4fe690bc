"""What is looked at before a workbook is opened: a small file can claim more than a computer has memory.

The library that reads workbooks lays out a sheet as all cells between its first and its last filled one, and
ends the process where there is no room for them. An .xlsx is gone through here, part by part, without keeping
any of it; the other kinds of workbook are read by a process of their own, with little memory.
"""

from __future__ import annotations

import io
import pickle
import re
import subprocess
import sys
import zipfile
import zlib
from dataclasses import dataclass
from typing import Any
from xml.parsers import expat

MAX_WORKBOOK = 100_000_000
"""Most bytes of a workbook."""
MAX_INFLATED = 500_000_000
"""Most bytes of all its parts, unpacked."""
MAX_CELLS = 10_000_000
"""Most cells of a sheet between A1 and its last filled row and column."""
_MAX_PARTS = 5_000
_MAX_DEPTH = 100
_BLOCK = 1 << 20
_APART_MEMORY = 2_000_000_000
_APART_SECONDS = 60.0
_PLACE = re.compile(r"([A-Z]{1,7})([0-9]{1,9})")
_FILLS = frozenset({"v", "is", "f", "t"})

# Run by a process of its own; the workbook comes in, its sheets' names and the rows asked for go out.
_APART = """
import io, pickle, sys
try:
    import resource
    resource.setrlimit(resource.RLIMIT_AS, (int(sys.argv[1]),) * 2)
except (ImportError, ValueError, OSError):
    pass
from python_calamine import load_workbook
try:
    book = load_workbook(io.BytesIO(sys.stdin.buffer.read()))
    names = book.sheet_names
    sheet = sys.argv[2][1:] if sys.argv[2] else (names or [None])[0]
    rows = book.get_sheet_by_name(sheet).to_python(skip_empty_area=False) if sheet in names else []
    assert sum(map(len, rows)) <= int(sys.argv[3]), "it has too many cells"
    told = (None, names, rows)
except Exception as error:
    told = (type(error).__name__, str(error), None)
sys.stdout.buffer.write(pickle.dumps(told))
"""


class UnreadableWorkbook(Exception):
    """A workbook, or the sheet asked for, that cannot be read; the message says what to do."""


def check_size(data: bytes) -> None:
    """Raise UnreadableWorkbook where a workbook has too many bytes to be looked at."""
    if len(data) > MAX_WORKBOOK:
        raise UnreadableWorkbook(
            f"the workbook has {len(data) / 1e6:,.0f} MB, and {MAX_WORKBOOK / 1e6:,.0f} MB are read at most; "
            "save the sheet as CSV and drop that"
        )


def is_sheet_package(data: bytes) -> bool:
    """Whether a file is an .xlsx (or .xlsm), whatever its name; UnreadableWorkbook where it is broken."""
    if not data.startswith(b"PK"):
        return False
    with _opened(data) as package:
        return "xl/workbook.xml" in package.namelist()


def check_package(data: bytes) -> None:
    """Go through an .xlsx without keeping it; UnreadableWorkbook where it would take too much memory."""
    left = MAX_INFLATED
    with _opened(data) as package:
        parts = package.infolist()
        if len(parts) > _MAX_PARTS:
            raise _broken(f"it has {len(parts):,} parts, and none has more than {_MAX_PARTS:,}")
        for part in parts:
            try:
                left = _check_part(package, part, left)
            except _BROKEN as error:
                raise _broken(f"its part {part.filename[:60]!r}: {error}") from error


_BROKEN = (
    zipfile.BadZipFile,
    zlib.error,
    NotImplementedError,
    RuntimeError,
    EOFError,
    OSError,
    ValueError,
    expat.ExpatError,
)


def _opened(data: bytes) -> zipfile.ZipFile:
    try:
        return zipfile.ZipFile(io.BytesIO(data))
    except _BROKEN as error:
        raise _broken(str(error)) from error


def _broken(why: str) -> UnreadableWorkbook:
    return UnreadableWorkbook(
        f"the workbook cannot be read ({why}); open it, save it as .xlsx or CSV and drop that"
    )


def _check_part(package: zipfile.ZipFile, part: zipfile.ZipInfo, left: int) -> int:
    """Look at a part; how many bytes the others may have. What it says of its own size is not believed."""
    extent: _Extent | None = None
    with package.open(part) as stream:
        block = stream.read(_BLOCK)
        if block.lstrip(b"\xef\xbb\xbf \t\r\n")[:1] == b"<" or block[:2] in (b"\xff\xfe", b"\xfe\xff"):
            extent = _Extent(part.filename)
        while block:
            left -= len(block)
            if left < 0:
                raise UnreadableWorkbook(
                    f"the workbook unpacks to more than {MAX_INFLATED / 1e6:,.0f} MB; "
                    "save the sheet with the data as CSV and drop that"
                )
            if extent is not None:
                extent.parser.Parse(block, False)
            block = stream.read(_BLOCK)
    if extent is not None:
        extent.parser.Parse(b"", True)
    return left


class _Extent:
    """Follows the cells of a part in XML, and stops where they are too far apart."""

    def __init__(self, part: str) -> None:
        self.part = part
        self.parser = expat.ParserCreate()
        self.parser.StartElementHandler = self._start
        self.parser.EndElementHandler = self._end
        self.parser.StartDoctypeDeclHandler = self._doctype
        self._depth = self._row = self._column = self._rows = self._columns = 0

    def _start(self, name: str, attributes: dict[str, str]) -> None:
        self._depth += 1
        if self._depth > _MAX_DEPTH:
            raise _broken(f"its part {self.part[:60]!r} is nested more than {_MAX_DEPTH} deep")
        kind = name.rpartition(":")[2]
        if kind == "row":
            number = attributes.get("r", "")
            self._row = int(number) if number.isdecimal() and len(number) < 10 else self._row + 1
            self._column = 0
        elif kind == "c":
            self._column += 1
            if place := _PLACE.fullmatch(attributes.get("r", "")):
                self._row, self._column = int(place[2]), _number_of(place[1])
        elif kind in _FILLS:
            self._rows, self._columns = max(self._rows, self._row), max(self._columns, self._column)
            if self._rows * self._columns > MAX_CELLS:
                raise UnreadableWorkbook(
                    f"the sheet reaches to row {self._rows:,} and column {self._columns:,}: more than "
                    f"{MAX_CELLS:,} cells; delete what stands far away from the data (or save it as CSV), "
                    "and drop it again"
                )

    def _end(self, name: str) -> None:
        self._depth -= 1

    def _doctype(self, *declared: object) -> None:
        raise _broken(f"its part {self.part[:60]!r} declares entities of its own, as no spreadsheet does")


def _number_of(letters: str) -> int:
    """A column's number from its letters: A is 1, XFD 16,384."""
    number = 0
    for letter in letters:
        number = number * 26 + ord(letter) - 64
    return number


@dataclass(frozen=True)
class Apart:
    """What another process read: the sheets' names, and the rows of the one asked for (else of the first)."""

    sheet_names: list[str]
    rows: list[list[Any]]


def read_apart(data: bytes, sheet: str | None) -> Apart:
    """Read a workbook in a process of its own, with limits to its memory (on POSIX) and time.

    Raises UnreadableWorkbook.
    """
    asked = "" if sheet is None else f"={sheet}"
    command = [sys.executable, "-I", "-c", _APART, str(_APART_MEMORY), asked, str(MAX_CELLS)]
    try:
        ended = subprocess.run(command, input=data, capture_output=True, timeout=_APART_SECONDS, check=False)
    except (subprocess.TimeoutExpired, OSError, ValueError) as error:
        raise _broken(
            f"it takes longer than {_APART_SECONDS:g} s, or can't be tried: {type(error).__name__}"
        ) from error
    if ended.returncode != 0:
        raise _broken("reading it takes too much memory, or it is broken")
    wrong, names, rows = pickle.loads(ended.stdout)  # what our own lines above wrote
    if wrong == "PasswordError":
        raise UnreadableWorkbook("the workbook is locked; save it without a password")
    if wrong is not None:
        raise _broken(names)
    return Apart(names, rows)

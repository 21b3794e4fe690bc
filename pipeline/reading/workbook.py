"""Workbooks: a sheet's cells as text, in the shapes the line reader gives, so that layouts fit both."""

from __future__ import annotations

import io
import zipfile
from collections.abc import Collection, Sequence
from datetime import date, datetime, time, timedelta
from pathlib import PurePath

from python_calamine import CalamineError, load_workbook

from pipeline.reading.fields import Rules
from pipeline.reading.table import WHITESPACE, Dialect, Fault, Gather, HeadLine, Skip, Table
from pipeline.reading.workbook_limits import (
    MAX_WORKBOOK,
    UnreadableWorkbook,
    check_package,
    check_size,
    is_sheet_package,
    read_apart,
)

__all__ = [
    "UnreadableWorkbook",
    "is_workbook",
    "read_sheet",
    "sheet_head",
    "sheet_names",
    "sheet_table",
    "sheet_texts",
]

Cell = int | float | str | bool | time | date | datetime | timedelta

_NO_SHEETS = "the workbook has no sheets; save it again with the data in a sheet"
_ZIP = b"PK\x03\x04"
_OLE = b"\xd0\xcf\x11\xe0\xa1\xb1\x1a\xe1"
_ALWAYS_WORKBOOKS = {".xlsx", ".xlsm", ".xlsb", ".ods"}  # not .xls: text is often saved under that name


def is_workbook(data: bytes, name: str) -> bool:
    """Whether a file is a spreadsheet workbook: by its content, or by a name that promises one."""
    if PurePath(name).suffix.lower() in _ALWAYS_WORKBOOKS or data.startswith(_OLE):
        return True
    if not data.startswith(_ZIP):
        return False
    if len(data) > MAX_WORKBOOK:  # its list of parts alone may be long; as a workbook it is refused
        return True
    try:
        with zipfile.ZipFile(io.BytesIO(data)) as archive:
            return any(part == "content.xml" or part.startswith("xl/") for part in archive.namelist())
    except zipfile.BadZipFile:
        return False


def sheet_names(data: bytes) -> list[str]:
    """Names of a workbook's sheets, in order. Raises UnreadableWorkbook."""
    names, _ = _opened(data, None, names_only=True)
    if not names:
        raise UnreadableWorkbook(_NO_SHEETS)
    return names


def read_sheet(data: bytes, sheet: str | None = None, decimal: str = ".") -> list[list[str]]:
    """Cells of a sheet (the first by default) as text: `rows[i]` is the sheet's row i + 1, all equally long.

    Numbers are in their shortest form with the given decimal mark, dates and times in ISO form, empty and
    error cells are "". Raises UnreadableWorkbook.
    """
    return [[_cell_text(cell, decimal) for cell in row] for row in _rows_of(data, sheet)]


def sheet_head(rows: Sequence[Sequence[str]], limit: int = 200) -> list[HeadLine]:
    """The first rows of a sheet, without the empty cells at each row's end."""
    return [HeadLine(i, _row_text(row), _used(row)) for i, row in enumerate(rows[:limit], start=1)]


def sheet_texts(rows: Sequence[Sequence[str]], lines: Collection[int]) -> dict[int, str]:
    """Text of rows (from 1), cells parted by tabs; rows that do not exist are left out."""
    return {line: _row_text(rows[line - 1]) for line in sorted(lines) if 1 <= line <= len(rows)}


def sheet_table(
    rows: Sequence[Sequence[str]], dialect: Dialect, header_line: int, header: Sequence[str]
) -> Table:
    """Every row below the header, by the rules of `lines.read_table`; a row's missing cells are empty ones.

    A row without any value is blank. Raises ValueError where the header has no names.
    """
    rules = Rules.of(dialect, header)
    gather = Gather(rules.columns)
    for line, row in enumerate(rows[header_line:], start=header_line + 1):
        gather.add(line, _judge_row(row, rules))
    return gather.table([], len(rows))


def _rows_of(data: bytes, sheet: str | None) -> list[list[Cell]]:
    """The cells of a sheet (the first by default)."""
    names, rows = _opened(data, sheet, names_only=False)
    if not names:
        raise UnreadableWorkbook(_NO_SHEETS)
    if sheet is not None and sheet not in names:
        raise UnreadableWorkbook(f"no sheet {sheet!r}; the workbook has: {', '.join(names)}")
    return rows


def _opened(data: bytes, sheet: str | None, names_only: bool) -> tuple[list[str], list[list[Cell]]]:
    """Names of the sheets, and the cells of one that is there."""
    check_size(data)
    if not data.startswith((_ZIP, _OLE)):
        raise UnreadableWorkbook(
            "it is no workbook, whatever its name; save it as .xlsx or CSV and drop that"
        )
    if not is_sheet_package(data):
        apart = read_apart(data, sheet)
        return apart.sheet_names, apart.rows
    check_package(data)
    try:
        book = load_workbook(io.BytesIO(data))
        names = book.sheet_names
        wanted = next(iter(names), None) if sheet is None else sheet
        if names_only or wanted not in names:
            return names, []
        return names, book.get_sheet_by_name(wanted).to_python(skip_empty_area=False)
    except CalamineError as error:
        raise _unreadable(error) from error
    except BaseException as error:
        if type(error).__name__ != "PanicException":  # of a library in Rust; it is no Exception
            raise
        raise _unreadable(error) from error


def _unreadable(error: BaseException) -> UnreadableWorkbook:
    return UnreadableWorkbook(
        f"the workbook cannot be read ({error}); open it, save it as .xlsx or CSV and drop that"
    )


def _cell_text(cell: Cell, decimal: str) -> str:
    if isinstance(cell, str):
        return cell
    if isinstance(cell, bool):
        return "TRUE" if cell else "FALSE"
    if isinstance(cell, int | float):
        return repr(cell).removesuffix(".0").replace(".", decimal)
    if isinstance(cell, datetime):
        return _seconds_text(cell.isoformat(" "), ".")
    if isinstance(cell, date):
        return cell.isoformat()
    if isinstance(cell, time):
        return _seconds_text(cell.isoformat(), decimal)
    return _seconds_text(_duration_text(cell), decimal)


def _seconds_text(text: str, decimal: str) -> str:
    """A time without needless zeros after its decimal mark."""
    return text.rstrip("0").replace(".", decimal) if "." in text else text


def _duration_text(duration: timedelta) -> str:
    """Hours may pass 24: 26:00:05.3."""
    sign, duration = ("-", -duration) if duration < timedelta(0) else ("", duration)
    minutes, seconds = divmod(duration.days * 86400 + duration.seconds, 60)
    fraction = f".{duration.microseconds:06d}" if duration.microseconds else ""
    return f"{sign}{minutes // 60:02d}:{minutes % 60:02d}:{seconds:02d}{fraction}"


def _used(row: Sequence[str]) -> list[str]:
    cells = list(row)
    while cells and not cells[-1].strip(WHITESPACE):
        cells.pop()
    return cells


def _row_text(row: Sequence[str]) -> str:
    return "\t".join(_used(row))


def _judge_row(row: Sequence[str], rules: Rules) -> list[str] | Fault | Skip:
    cells = _used(row)
    if not cells:
        return Skip("blank")
    if rules.comment and cells[0].lstrip(WHITESPACE).startswith(rules.comment):
        return Skip("comment")
    padded = cells + [""] * (len(rules.names) - len(cells))
    return rules.judge_fields(padded, _row_text(row))

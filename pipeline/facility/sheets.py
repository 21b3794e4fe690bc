"""A config CSV to a typed frame; every cell that cannot be read is a problem with line and column."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from datetime import date
from pathlib import Path
from typing import Any, Literal

import polars as pl

from pipeline.facility.dates import read_dates
from pipeline.facility.problems import Problem, meant, nearest_known, shown
from pipeline.facility.sheet_text import Record, read_records, spelling_of

Kind = Literal["text", "list", "date", "integer", "number"]

_TYPES: dict[Kind, Any] = {
    "text": pl.String,
    "list": pl.List(pl.String),
    "date": pl.Date,
    "integer": pl.Int32,
    "number": pl.Float64,
}


@dataclass(frozen=True)
class Column:
    """A column: its header, what its cells are, its name in the frame, and whether each row needs it.

    `words` are the allowed words in lower case and what each becomes; `also` are other headers for it.
    """

    header: str
    kind: Kind = "text"
    name: str = ""
    filled: bool = False
    words: Mapping[str, str] = field(default_factory=dict)
    also: tuple[str, ...] = ()

    @property
    def target(self) -> str:
        """Name in the frame."""
        return self.name or self.header


def read_sheet(folder: Path, name: str, columns: Sequence[Column]) -> tuple[pl.DataFrame, list[Problem]]:
    """The rows of a CSV file as a frame: `line` (Int32, physical) and each column, empty cells null.

    `name` is the file's path below the folder. An absent file has no rows. Rows with a bad cell are in the
    frame with null there, and the problem names the line and column.
    """
    path = folder / name
    if not path.is_file():
        return _frame([], {}, columns), []
    known = [spelling for column in columns for spelling in (column.header, *column.also)]
    records, header, problems = read_records(path.read_bytes(), name, known)
    if header is None:
        return _frame([], {}, columns), problems
    places, more = _places(header, name, columns)
    problems += more
    values: dict[str, dict[int, Any]] = {}
    for column in columns:
        if column.header in places:
            place = places[column.header]
            cells = {record.line: record.cells[place].strip() for record in records}
            values[column.target], more = _read_column(cells, name, column)
            problems += more
    return _frame([record.line for record in records], values, columns), problems


def _frame(
    lines: list[int], values: Mapping[str, Mapping[int, Any]], columns: Sequence[Column]
) -> pl.DataFrame:
    data: dict[str, list[Any]] = {"line": lines}
    data |= {c.target: [values.get(c.target, {}).get(line) for line in lines] for c in columns}
    return pl.DataFrame(data, schema={"line": pl.Int32, **{c.target: _TYPES[c.kind] for c in columns}})


def _places(header: Record, name: str, columns: Sequence[Column]) -> tuple[dict[str, int], list[Problem]]:
    """Header of each column that is there -> its place, and what is wrong with the header row."""
    line = header.line
    spelled = {spelling: c.header for c in columns for spelling in (c.header, *c.also)}
    places: dict[str, int] = {}
    problems: list[Problem] = []
    others: list[str] = []
    for place, cell in enumerate(header.cells):
        known = spelled.get(spelling_of(cell))
        if known is None:
            others.append(cell.strip())
        elif known in places:
            problems.append(Problem(name, line, known, "this column is there twice; take one out"))
        else:
            places[known] = place
    slips: set[str] = set()
    for cell in filter(None, others):
        near = meant(spelling_of(cell), [c.header for c in columns if c.header not in places])
        if near is not None:
            slips.add(near)
            message = f"unknown column {cell!r}; {nearest_known(cell, [near])}"
            problems.append(Problem(name, line, cell, message))
    missing = [c.header for c in columns if c.filled and c.header not in places and c.header not in slips]
    problems += [
        Problem(name, line, lacking, "this column is missing and needed; add it") for lacking in missing
    ]
    return places, problems


def _read_column(cells: Mapping[int, str], name: str, column: Column) -> tuple[dict[int, Any], list[Problem]]:
    """Values by line, without the empty ones, and what is wrong with the cells."""
    given = {line: cell for line, cell in cells.items() if cell}
    faults: dict[int, str] = {}
    values: dict[int, Any] = {}
    if column.kind == "date":
        dates, faults = read_dates(given)
        values = dict[int, Any](dates)
    else:
        for line, cell in given.items():
            try:
                values[line] = _read_cell(cell, column)
            except ValueError as error:
                faults[line] = str(error)
    if column.filled:
        faults |= {line: "this cell is empty and needed" for line, cell in cells.items() if not cell}
    return values, [Problem(name, line, column.header, text) for line, text in sorted(faults.items())]


def _read_cell(cell: str, column: Column) -> str | list[str] | int | float:
    """One cell's value; ValueError in plain words where it is none."""
    if column.kind == "list":
        return [part.strip() for part in cell.split("|") if part.strip()]
    if column.kind in ("integer", "number"):
        try:
            number = float(cell.replace(",", "."))
        except ValueError:
            number = float("nan")
        if not abs(number) < 2**31 or (column.kind == "integer" and not number.is_integer()):
            raise ValueError(f"{shown(cell)} is no {'whole ' if column.kind == 'integer' else ''}number")
        return int(number) if column.kind == "integer" else number
    if not column.words:
        return cell
    if cell.casefold() not in column.words:
        known = dict.fromkeys(column.words.values())
        slip = meant(cell, known)
        near = f"; the nearest known one is {slip!r}" if slip else ""
        raise ValueError(f"{shown(cell)} is not known here{near}. Known: {', '.join(known)}")
    return column.words[cell.casefold()]


def spans_backwards(frame: pl.DataFrame, name: str, start: str, end: str) -> list[Problem]:
    """A problem for each row whose last day is before its first; the CSV's columns are from and until."""
    rows = frame.filter(pl.col(end) < pl.col(start)).select("line", start, end)
    return [Problem(name, line, "until", _backwards(last, first)) for line, first, last in rows.iter_rows()]


def _backwards(last: date, first: date) -> str:
    return f"until ({last}) is before from ({first}); until is the last day that counts"

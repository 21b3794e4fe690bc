"""An unknown file to cells: encoding, delimiter, header row, and the lines that are no rows."""

from __future__ import annotations

import codecs
import re
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path

import polars as pl

from pipeline.intake.propose.choices import CannotPropose, Choice
from pipeline.intake.propose.words import common
from pipeline.reading.fields import trimmed_names
from pipeline.reading.lines import read_head, read_table
from pipeline.reading.split import UndecodableFile
from pipeline.reading.table import WHITESPACE, Dialect, HeadLine, Table
from pipeline.reading.workbook import (
    UnreadableWorkbook,
    is_workbook,
    read_sheet,
    sheet_head,
    sheet_names,
    sheet_table,
)

MOST_BYTES = 1_000_000  # what a proposal looks at; a history of years says no more than its first lines
DELIMITERS = (",", ";", "\t", "|")
_COMMENTS = ("#", "//", "%", "*")
_NUMBER = re.compile(r"[+\-\u2212]?\d[\d.,:'\"\s/\-T]*(?:Z|[AP]M)?")
_SAYS = re.compile(r"\w: \S")  # a line such as `Runner: Reis, Ana`
_DATA = re.compile(r"[+\-\u2212]?[\d.,:/\-\s]+")


@dataclass(frozen=True)
class Sheet:
    """An unknown export as cells: `table` has a column `c<i>` for each of `names`; `head` is above them."""

    name: str
    workbook: bool
    sheet: str | None
    dialect: Dialect
    head: list[HeadLine]
    header_line: int
    names: list[str]
    table: Table
    choices: tuple[Choice, ...]


def open_unknown(data: bytes, name: str, decimal: str = ".") -> Sheet:
    """The cells of a file of unknown form; `decimal` is how a workbook's numbers are written out.

    Raises CannotPropose.
    """
    if is_workbook(data, name):
        return _open_workbook(data, name, decimal)
    if not data.strip():
        raise CannotPropose(f"{name} is empty; export it again")
    cut = first_lines(data)
    encoding, said = guess_encoding(cut)
    found = _best_split(cut, encoding, name)
    choices = [Choice("file.encoding", encoding, said), _delimiter_choice(found)]
    if len(cut) < len(data):
        choices.append(Choice("file", "", f"only the first {len(cut):,} bytes were looked at"))
    return _with_skips(cut, name, found, choices)


def read_start(file: Path) -> bytes:
    """A file as far as a proposal looks at it: a workbook whole, of all else no more than is needed."""
    with file.open("rb") as stream:
        data = stream.read(MOST_BYTES + 1)
        return data + stream.read() if data.startswith((b"PK", b"\xd0\xcf")) else data


def first_lines(data: bytes) -> bytes:
    """The lines that a proposal looks at: whole ones, up to MOST_BYTES."""
    if len(data) <= MOST_BYTES:
        return data
    end = data.rfind(b"\n", 0, MOST_BYTES) + 1 or MOST_BYTES
    if guess_encoding(data[:MOST_BYTES])[0] == "utf-16":
        end += end % 2  # a line end is two bytes
    return data[:end]


def guess_encoding(data: bytes) -> tuple[str, str]:
    """The encoding of a text and why: a byte order mark, what decodes, else Windows' Western one."""
    if data.startswith((codecs.BOM_UTF16_LE, codecs.BOM_UTF16_BE)):
        return "utf-16", "the file begins with the mark of UTF-16"
    if data[:400].count(0) > len(data[:400]) / 4:
        return "utf-16", "every other byte is empty, as in UTF-16"
    if data.isascii():
        return "utf-8", "plain letters only"
    lines = data.split(b"\n")
    odd = [line for line in lines if not line.isascii()]
    whole = sum(_decodes(line, "utf-8") for line in odd)
    if whole == len(odd):
        return "utf-8", "every line decodes as UTF-8"
    if whole > len(odd) / 2:
        first = next(i for i, line in enumerate(lines, 1) if not _decodes(line, "utf-8"))
        return "utf-8", f"most lines decode as UTF-8; line {first} does not and would be held"
    if _decodes(data, "cp1252"):
        return "cp1252", "not UTF-8; every byte is a letter of Windows' Western encoding"
    return "latin-1", "neither UTF-8 nor Windows' Western encoding; latin-1 takes every byte"


def _decodes(raw: bytes, encoding: str) -> bool:
    try:
        raw.decode(encoding)
    except UnicodeDecodeError:
        return False
    return True


@dataclass(frozen=True)
class _Split:
    """A way to split a file: the header row found with it, and how well the lines below fit."""

    dialect: Dialect
    head: list[HeadLine]
    header_at: int
    score: float
    fitting: int
    rows: int


def _best_split(data: bytes, encoding: str, name: str) -> _Split:
    try:
        ways = [_split(data, Dialect(encoding, mark)) for mark in DELIMITERS]
    except UndecodableFile as error:
        raise CannotPropose(f"{name}: {error}") from error
    found = [way for way in ways if way is not None]
    if not found:
        raise CannotPropose(
            f"{name}: no row of column names with rows of as many cells below it was found; a layout reads "
            "columns by their names, so let the device write a header row"
        )
    return max(found, key=lambda way: way.score)


def _split(data: bytes, dialect: Dialect) -> _Split | None:
    head = read_head(data, dialect)
    rows = [line.fields for line in head]
    at = find_header(rows)
    if at is None:
        return None
    width = len(trimmed_names(rows[at] or []))
    below = [_used(row) for row in rows[at + 1 :] if row is not None and any(c.strip() for c in row)]
    fitting = sum(len(row) <= width and (len(row) > width / 2) for row in below)
    cells = [cell for row in below[:60] for cell in row if cell.strip()]
    others = "".join(mark for mark in DELIMITERS if mark != dialect.delimiter)
    joined = sum(any(mark in cell for mark in others) and _DATA.fullmatch(cell) is None for cell in cells)
    clean = 1 - joined / len(cells) if cells else 0.0
    score = fitting / max(len(below), 1) * (0.3 + 0.7 * clean) * min(width, 6) ** 0.5
    return _Split(dialect, head, at, score, fitting, len(below))


def _used(row: Sequence[str]) -> list[str]:
    cells = list(row)
    while cells and not cells[-1].strip(WHITESPACE):
        cells.pop()
    return cells


def find_header(rows: Sequence[Sequence[str] | None]) -> int | None:
    """Index of the header row: the first with a name for each column of the rows below, and unlike them."""
    used = [_used(row) if row is not None else [] for row in rows]
    widths = Counter(len(row) for row in used if len(row) >= 2)
    if not widths:
        return None
    widest = max(width for width, count in widths.items() if count * 10 >= max(widths.values()))
    candidates: list[int] = []
    for at, row in enumerate(used[:-1]):
        names = [cell.strip(WHITESPACE) for cell in row]
        if len(names) < widest or len(set(names) - {""}) < 0.7 * len(names):
            continue
        below = [other for other in used[at + 1 :] if len(other) > len(names) / 2]
        if below and _unlike(names, below):
            candidates.append(at)
            if not _SAYS.search(row[0]):
                return at
    return candidates[0] if candidates else None


def _unlike(names: list[str], below: list[list[str]]) -> bool:
    """Whether a row is of names: no number where the column below is one, unless they are distances."""
    numeric = [i for i in range(len(names)) if _mostly_numbers([row[i] for row in below if i < len(row)])]
    told = [names[i] for i in numeric if _NUMBER.fullmatch(names[i])]
    if not told:
        return bool(numeric) or not any(_NUMBER.fullmatch(name) for name in names)
    distances = [int(name) for name in told if name.isdecimal()]
    return len(told) < len(names) and len(distances) == len(told) and distances == sorted(set(distances))


def _mostly_numbers(cells: list[str]) -> bool:
    filled = [cell.strip() for cell in cells if cell.strip()]
    return bool(filled) and sum(bool(_NUMBER.fullmatch(cell)) for cell in filled) * 2 > len(filled)


def _delimiter_choice(found: _Split) -> Choice:
    shown = {"\t": "tab"}.get(found.dialect.delimiter, found.dialect.delimiter)
    said = f"{found.fitting} of the first {found.rows} rows fit the header row when split at {shown!r}"
    doubtful = found.fitting < 0.8 * found.rows
    return Choice("file.delimiter", found.dialect.delimiter, said, "doubtful" if doubtful else "sure")


def _with_skips(data: bytes, name: str, found: _Split, choices: list[Choice]) -> Sheet:
    """The table under the header, with the comment and trailer lines of the file taken out."""
    header = found.head[found.header_at]
    fields = header.fields or []
    dialect = found.dialect
    table = read_table(data, dialect, header.line, fields)
    if "open_quote" in set(table.problems["code"]):
        lines = replace(dialect, multiline=True)
        joined = read_table(data, lines, header.line, fields)
        if joined.problems.height * 2 < table.problems.height:
            dialect, table = lines, joined
            choices.append(Choice("file.multiline", "true", "quoted cells go over several lines"))
    comment = _comment(found.head, table)
    trailer = _trailer(table)
    if comment:
        choices.append(Choice("file.comment", comment, f"lines that begin with {comment} are no rows"))
    if trailer:
        said = f"the last line begins with {trailer!r} and is no row"
        choices.append(Choice("file.trailer", trailer, said, "doubtful"))
    if comment or trailer:
        dialect = replace(dialect, comment=comment, trailer=(trailer,) if trailer else ())
        table = read_table(data, dialect, header.line, fields)
    return Sheet(
        name,
        False,
        None,
        dialect,
        found.head[: found.header_at],
        header.line,
        trimmed_names(fields),
        table,
        tuple(choices),
    )


def _comment(head: list[HeadLine], table: Table) -> str | None:
    odd = [*(line.text for line in head), *table.problems["seen"], *_first_cells(table)]
    for mark in _COMMENTS:
        if any(re.match(rf"\s*(?:\d+ fields: )?{re.escape(mark)}", text) for text in odd):
            return mark
    return None


def _first_cells(table: Table) -> list[str]:
    return table.cells["c0"].to_list() if table.cells.width > 1 else []


def _trailer(table: Table) -> str | None:
    """What the last line begins with, where that is a word for a total: only those, never somebody's name."""
    short = table.problems.filter(pl.col("code") == "too_few_fields").tail(1)
    texts = [re.sub(r"^\d+ fields: ", "", text) for text in short["seen"]]
    texts += [str(cell) for cell in table.cells.tail(1).select("c0").to_series()]
    for text in texts:
        found = re.match(r"\W*([^\W\d_]+)", text)
        if found and found[1].casefold() in common("total"):
            return found[1]
    return None


def _open_workbook(data: bytes, name: str, decimal: str) -> Sheet:
    """The first sheet of a workbook that has a table."""
    try:
        sheets = sheet_names(data)
        for at, sheet in enumerate(sheets):
            rows = read_sheet(data, sheet, decimal)
            header_at = find_header(rows[:200])
            if header_at is None:
                continue
            head = sheet_head(rows)
            table = sheet_table(rows, Dialect(), header_at + 1, rows[header_at])
            trailer = _trailer(table)
            dialect = Dialect(trailer=(trailer,)) if trailer else Dialect()
            choices = []
            if trailer:
                table = sheet_table(rows, dialect, header_at + 1, rows[header_at])
                choices.append(
                    Choice("file.trailer", trailer, f"the last row begins with {trailer!r}", "doubtful")
                )
            if at:
                choices.append(Choice("file.sheet", sheet, "the first sheet with a table", "doubtful"))
            names = trimmed_names(rows[header_at])
            return Sheet(
                name,
                True,
                sheet if at else None,
                dialect,
                head[:header_at],
                header_at + 1,
                names,
                table,
                tuple(choices),
            )
    except UnreadableWorkbook as error:
        raise CannotPropose(f"{name}: {error}") from error
    raise CannotPropose(
        f"{name}: no sheet has a row of column names with rows below it; save the table alone"
    )

"""A config CSV, last saved by some spreadsheet, to rows of text: encoding, delimiter, quotes, blank lines."""

from __future__ import annotations

import codecs
from collections.abc import Collection, Iterator
from dataclasses import dataclass

from pipeline.facility.problems import Problem, shown
from pipeline.reading.fields import split_fields

_DELIMITERS = (",", ";", "\t")
_CELL_LINES = 50  # a cell of more lines than this is a forgotten quote


@dataclass(frozen=True)
class Record:
    """A row: its first physical line, from 1, and its cells."""

    line: int
    cells: list[str]


def _decode(raw: bytes, name: str) -> tuple[str, list[Problem]]:
    """The text, whatever a spreadsheet saved it as; bytes that no encoding explains are a problem by line."""
    if raw.startswith((codecs.BOM_UTF16_LE, codecs.BOM_UTF16_BE)):
        text = raw.decode("utf-16", errors="replace")
    else:
        # Line by line: a file of one encoding to which a tool added lines in another is read right too.
        lines = raw.removeprefix(codecs.BOM_UTF8).split(b"\n")
        text = "\n".join(_decode_line(line) for line in lines)
    text = text.replace("\r\n", "\n")
    text = text if "\n" in text else text.replace("\r", "\n")
    broken = [i for i, line in enumerate(text.split("\n"), 1) if "\ufffd" in line]
    return text, [
        Problem(name, i, None, "this line has letters that cannot be read; save the file as UTF-8 CSV")
        for i in broken
    ]


def read_records(
    raw: bytes, name: str, known: Collection[str]
) -> tuple[list[Record], Record | None, list[Problem]]:
    """The rows below the header at the header's width, the header, and what is wrong with other lines.

    UTF-8 (with a byte order mark or not), UTF-16 with one, else Windows-1252; the delimiter is the one of
    comma, semicolon and tab that makes most `known` names of the header. Short rows are filled up, because
    spreadsheets drop empty cells at the end; blank lines and lines that begin with # are passed over.
    """
    text, problems = _decode(raw, name)
    first = next((line for line in text.split("\n") if _is_content(line)), None)
    if first is None:
        return [], None, problems
    delimiter = max(_DELIMITERS, key=lambda mark: _known_names(first, mark, known))
    records: list[Record] = []
    for record in _records(text, delimiter):
        if isinstance(record, Problem):
            problems.append(Problem(name, record.line, None, record.message))
        elif any(cell.strip() for cell in record.cells):
            records.append(record)
    if not records or _known_names(first, delimiter, known) == 0:
        expected = ", ".join(known)
        problems.append(Problem(name, 1, None, f"the first row must name the columns: {expected}"))
        return [], None, problems
    header, rows = records[0], []
    for record in records[1:]:
        surplus = [cell for cell in record.cells[len(header.cells) :] if cell.strip()]
        if surplus:
            said = f"more cells than columns ({shown(surplus[0])})"
            message = f"{said}; put quotes round a cell with {delimiter!r} in it"
            problems.append(Problem(name, record.line, None, message))
        padding = [""] * (len(header.cells) - len(record.cells))
        rows.append(Record(record.line, [*record.cells[: len(header.cells)], *padding]))
    return rows, header, problems


def _decode_line(line: bytes) -> str:
    try:
        return line.decode("utf-8")
    except UnicodeDecodeError:
        return line.decode("cp1252", errors="replace")


def _is_content(line: str) -> bool:
    return bool(line.strip(" \t;,")) and not line.lstrip().startswith("#")


def _known_names(header: str, delimiter: str, known: Collection[str]) -> int:
    fields = split_fields(header, delimiter)
    return sum(spelling_of(cell) in known for cell in fields) if isinstance(fields, list) else 0


def spelling_of(name: str) -> str:
    """A header name as it is compared: Birth date, birth-date and BIRTH_DATE are one."""
    return name.strip().casefold().replace(" ", "_").replace("-", "_")


def _records(text: str, delimiter: str) -> Iterator[Record | Problem]:
    """Rows with the line they begin on; a quoted cell may have line ends in it."""
    lines = text.split("\n")
    at = 0
    while at < len(lines):
        if not _is_content(lines[at]):
            at += 1
            continue
        for end in range(at + 1, min(at + _CELL_LINES, len(lines)) + 1):
            fields = split_fields("\n".join(lines[at:end]), delimiter)
            if isinstance(fields, list):
                yield Record(at + 1, fields)
                break
            if fields.code != "open_quote":
                break
        if not isinstance(fields, list):
            end = at + 1
            yield Problem("", at + 1, None, f"a quote is not closed or followed by text: {shown(lines[at])}")
        at = end

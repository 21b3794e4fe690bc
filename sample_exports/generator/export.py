"""Files of lines: from rows to the bytes that are dropped in the inbox."""

import csv
import io
import zipfile
from collections.abc import Hashable
from dataclasses import dataclass, field, replace
from datetime import datetime

import xlsxwriter

from .people import Roster
from .spec import (
    NameAbove,
    Number,
    Preamble,
    Quantity,
    Row,
    Spec,
    StampAbove,
    cell,
    quantities,
    quantity_of,
    stamp_text,
)
from .units import to_text

MADE_AT = datetime(2026, 1, 30, 12, 0, 0)


@dataclass(frozen=True)
class Drop:
    """A file before it is written: where it goes, its rows, and the facts above its header (SI or words)."""

    device: str
    name: str
    rows: list[Row]
    above: dict[str, str | float] = field(default_factory=dict)


@dataclass
class Line:
    """A physical line, what it tells, and what becomes of it."""

    kind: str  # preamble, header, data, blank, comment, repeated_header, trailer
    cells: list[str] = field(default_factory=list)
    text: str | None = None  # the whole line, where cells do not say it
    swap: tuple[bytes, bytes] | None = None  # bytes to damage
    row: Row | None = None
    numbers: list[Quantity] = field(default_factory=list)
    fate: str = ""  # loaded, held, repeated, superseding, skipped; "" above the data
    code: str = ""
    damaged: bool = False
    superseded: bool = False
    now: dict[str, str | int] = field(default_factory=dict)  # facts as a recorded correction leaves them
    ended: bool = True  # the line end is there


@dataclass
class Export:
    """A file of the inbox."""

    path: str  # below inbox/
    spec: Spec
    lines: list[Line]
    above: list[Quantity]
    facts: dict[str, str | int]  # from the preamble and the name
    name: str = ""  # the written name, where it stands above the header

    def data(self) -> list[Line]:
        """Its data lines."""
        return [line for line in self.lines if line.kind == "data"]


def data_line(spec: Spec, row: Row, roster: Roster) -> Line:
    """The line of `row`."""
    cells = [cell(spec, column, row, roster) for column in spec.columns]
    return Line("data", cells, row=row, numbers=quantities(spec, row), fate="loaded")


def line_key(spec: Spec, row: Row) -> Hashable:
    """What makes two lines of a device the same measurement."""
    named = tuple(sorted((key, str(value)) for key, value in row.facts.items() if key != "mark"))
    place = row.values.get("distance_m"), row.values.get("time_s")
    return spec.device, row.athlete_id, spec.moment(row.at), named, place


def make_export(spec: Spec, drop: Drop, roster: Roster) -> Export:
    """The undamaged file of `drop`, all lines loaded."""
    facts: dict[str, str | int] = {key: value for key, value in drop.above.items() if isinstance(value, str)}
    lines = [Line("preamble", text=text) for text in spec.heading]
    above: list[Quantity] = []
    for fact in spec.preamble:
        text, number = _above(spec, fact, drop, roster)
        above += [] if number is None else [number]
        lines.append(Line("preamble", text=f"{fact.label}: {text}".rstrip()))
    if lines:
        lines.append(Line("preamble", text=""))
    lines.append(Line("header", [column.header for column in spec.columns]))
    for whole in drop.rows:
        rows = [whole] if spec.lines_of is None else spec.lines_of(whole)
        lines += [data_line(spec, row, roster) for row in rows]
    if spec.trailer:
        lines.append(Line("trailer", [spec.trailer, str(len(drop.rows))], fate="skipped"))
    facts |= {one.target: one.value for one in spec.constants if isinstance(one.value, str) and not one.dated}
    facts |= {"method_version": spec.method_version} if spec.method_version else {}
    named = [fact.style for fact in spec.preamble if isinstance(fact, NameAbove)]
    name = _name_above(spec, drop, named[0], roster) if named else ""
    return Export(f"{drop.device}/{drop.name}", spec, lines, above, facts, name)


def _name_above(spec: Spec, drop: Drop, style: str, roster: Roster) -> str:
    """The athlete of a file that is one trial, as the device writes it."""
    row = drop.rows[0]
    return row.name or roster.written(row.athlete_id, spec.device, row.at.date(), style)


def _above(
    spec: Spec, fact: Preamble | NameAbove | StampAbove, drop: Drop, roster: Roster
) -> tuple[str, Quantity | None]:
    """The text of a line above the header, and its number: of the file, or of the one trial that it is."""
    if isinstance(fact, NameAbove):
        return _name_above(spec, drop, fact.style, roster), None
    if isinstance(fact, StampAbove):
        return stamp_text(fact.format, drop.rows[0].at), None
    of_trial = {**drop.rows[0].values, **drop.rows[0].facts} if drop.rows else {}
    value = {**of_trial, **drop.above}.get(fact.target)
    if value is None:
        return spec.null_word, None
    if not isinstance(value, float):
        return fact.words[str(value)] if fact.words else str(value), None
    text = to_text(value, fact.unit, fact.decimals).replace(".", spec.decimal)
    return text, quantity_of(fact, fact.unit, fact.decimals, value)


def remade(export: Export, line: Line, roster: Roster, **changes: object) -> Line:
    """`line` written anew with its row changed."""
    assert line.row is not None
    return data_line(export.spec, replace(line.row, **changes), roster)  # type: ignore[arg-type]


def line_text(spec: Spec, line: Line) -> str:
    """The line without its end."""
    if line.text is not None:
        return line.text
    out = io.StringIO()
    csv.writer(out, delimiter=spec.delimiter, lineterminator="").writerow(line.cells)
    return out.getvalue()


def _text_bytes(export: Export) -> bytes:
    """A delimited file."""
    spec = export.spec
    encoding = "utf-16-le" if spec.encoding == "utf-16" else spec.encoding
    mark = {"utf-16": b"\xff\xfe", "utf-8": b"\xef\xbb\xbf" if spec.bom else b""}.get(spec.encoding, b"")
    parts = [mark]
    for line in export.lines:
        written = (line_text(spec, line) + (spec.newline if line.ended else "")).encode(encoding)
        parts.append(written.replace(*line.swap, 1) if line.swap else written)
    return b"".join(parts)


def _workbook_bytes(export: Export) -> bytes:
    """A workbook of one sheet; stored, not compressed, so that every machine writes the same bytes."""
    spec, packed = export.spec, io.BytesIO()
    book = xlsxwriter.Workbook(packed, {"in_memory": True})
    book.set_properties({"created": MADE_AT})
    sheet = book.add_worksheet("Readings")
    for place, line in enumerate(export.lines):
        for column, text in enumerate(line.cells):
            numeric = isinstance(spec.columns[column], Number) or text.isdigit()
            if line.kind == "data" and numeric and text:
                sheet.write_number(place, column, float(text))
            else:
                sheet.write_string(place, column, text)
    book.close()
    plain = io.BytesIO()
    with zipfile.ZipFile(packed) as old, zipfile.ZipFile(plain, "w", zipfile.ZIP_STORED) as new:
        for name in old.namelist():
            entry = zipfile.ZipInfo(name, (1980, 1, 1, 0, 0, 0))
            entry.create_system = 3
            new.writestr(entry, old.read(name))
    return plain.getvalue()


def to_bytes(export: Export) -> bytes:
    """The file as it is dropped."""
    return _workbook_bytes(export) if export.spec.workbook else _text_bytes(export)

"""What is damaged: short exports of every layout of the demo, and the hall that they are dropped in."""

from __future__ import annotations

import io
from dataclasses import dataclass
from datetime import date, datetime
from functools import cache
from pathlib import Path
from random import Random

import xlsxwriter

from pipeline.demo import make_demo
from pipeline.facility.folder import Facility, load_facility
from pipeline.intake.hand_sheet import hand_sheet
from pipeline.reading.workbook import read_sheet

ROOT = Path(__file__).resolve().parents[2]
SAMPLES = ROOT / "sample_exports"
_MULTILINE = "calipers-2-multiline"
_KEPT = 400  # lines of a sample that windows are cut from


@dataclass(frozen=True)
class Sample:
    """An export as text lines: what stands above its rows (the header row last), and its rows."""

    folder: str
    name: str
    encoding: str
    delimiter: str
    end: str
    top: tuple[str, ...]
    rows: tuple[str, ...]

    @property
    def is_workbook(self) -> bool:
        """Whether it is dropped as a workbook."""
        return self.name.endswith(".xlsx")


def make_hall(folder: Path) -> Facility:
    """The demo's facility with an empty inbox, and a layout more, whose quoted fields may span lines."""
    make_demo(folder)
    for file in sorted((folder / "inbox").rglob("*.*")):
        file.unlink()
    layouts = folder / "config" / "layouts"
    text = (layouts / "calipers-2-readings.toml").read_text(encoding="utf-8")
    text = text.replace('layout = "calipers-2-readings"', f'layout = "{_MULTILINE}"')
    text = text.replace('folder = "calipers-2"', f'folder = "{_MULTILINE}"')
    text = text.replace("[columns.performed_at]", "[file]\nmultiline = true\n\n[columns.performed_at]", 1)
    (layouts / f"{_MULTILINE}.toml").write_text(text, encoding="utf-8")
    facility = load_facility(folder)
    assert not facility.faulty_layouts, facility.faulty_layouts
    return facility


@cache
def samples(folder: Path) -> tuple[Sample, ...]:
    """A sample of each layout of the hall in `folder`, in a fixed order."""
    facility = load_facility(folder)
    found: list[Sample] = []
    for layout in sorted(facility.layouts.values(), key=lambda each: each.layout):
        file = layout.file
        where = layout.match.folder
        if where is None:
            text = hand_sheet(facility, layout.family, date(2025, 10, 1))
            export, name, data, where = None, f"{layout.layout}.csv", text.encode(), "by-hand"
        else:
            export = next(iter(sorted((SAMPLES / where.removesuffix("-multiline")).iterdir())))
            name, data = export.name, export.read_bytes()
        if name.endswith(".xlsx"):
            lines = ["\t".join(row) for row in read_sheet(data)]
            encoding, delimiter, end = "utf-8", "\t", "\n"
        else:
            text = data.decode("utf-8-sig" if file.encoding == "utf-8" else file.encoding)
            end = "\r\n" if "\r\n" in text else "\n"
            encoding, delimiter, lines = file.encoding, file.delimiter, text.split(end)[:-1]
        at = next(i for i, line in enumerate(lines) if all(name in line for name in layout.header_names))
        rows = tuple(lines[at + 1 : at + 1 + _KEPT])
        if layout.match.folder is None:
            rows = tuple(_filled(row, delimiter) for row in rows[:20])
        found.append(Sample(where, name, encoding, delimiter, end, tuple(lines[: at + 1]), rows))
    return tuple(found)


def _filled(row: str, delimiter: str) -> str:
    """A row of a hand-written sheet, with the same number in all its empty cells."""
    return delimiter.join(cell or "1.5" for cell in row.split(delimiter))


def window(sample: Sample, random: Random) -> Sample:
    """A few neighbouring rows of a sample, as a short export."""
    n = random.choice((1, 2, 3, 5, 8, 8, 30))
    start = random.randrange(max(1, len(sample.rows) - n))
    rows = sample.rows[start : start + n]
    return Sample(sample.folder, sample.name, sample.encoding, sample.delimiter, sample.end, sample.top, rows)


def workbook_of(lines: list[str], delimiter: str, random: Random) -> bytes:
    """Lines of text as a workbook: numbers as numbers, most of the time."""
    out = io.BytesIO()
    with xlsxwriter.Workbook(out, {"in_memory": True, "strings_to_formulas": False}) as book:
        book.set_properties({"created": datetime(2026, 1, 1)})
        sheet = book.add_worksheet()
        dates = book.add_format({"num_format": "yyyy-mm-dd hh:mm"})
        for row, line in enumerate(lines):
            for column, cell in enumerate(line.split(delimiter)[:200]):
                kind = random.random()
                text = cell[:2_000]
                if kind < 0.01:
                    sheet.write_formula(row, column, "=1/0", value="#DIV/0!")
                elif kind < 0.02:
                    sheet.write_boolean(row, column, True)
                elif kind < 0.03:
                    sheet.write_number(row, column, random.choice((-1.0, 0.0, 45_000.5, 1e300)), dates)
                elif _is_number(cell) and kind < 0.9:
                    sheet.write_number(row, column, float(cell))
                else:
                    sheet.write_string(row, column, text)
    return out.getvalue()


def _is_number(text: str) -> bool:
    try:
        return abs(float(text)) < 1e300
    except ValueError:
        return False

"""The norms workbook: a page that says how to read it, a sheet a sex and age band, and the tests."""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date, datetime, timedelta
from pathlib import Path
from typing import Any

import polars as pl
import xlsxwriter
from xlsxwriter.exceptions import FileCreateError
from xlsxwriter.worksheet import Worksheet

from pipeline.analysis.norm_tables import PERCENTILE_NEEDS
from pipeline.analysis.one_value import WINDOW_DAYS
from pipeline.publish.files import Writer
from pipeline.publish.page import FIRST_ROW, Column, Styles, height, print_setup, table_head
from pipeline.publish.too_few import COUNTED_FROM
from schemas.catalogue import Metric
from schemas.coach_files import WORKBOOK_MARK

PERCENTILES = tuple(f"p{p:02d}" for p in PERCENTILE_NEEDS)
DIRECTIONS = {"higher": "higher", "lower": "lower", "context": ""}
# Any fixed instant: equal norms give equal bytes.
_CREATED = datetime(2000, 1, 1)
_OPTIONS = {
    "in_memory": True,
    "strings_to_formulas": False,
    "strings_to_urls": False,
    "strings_to_numbers": False,
}
# A wider column would not be shrunk to the page by every program.
_READ_ME_WIDTH = 75
_NUMBERS = {"mean": "Mean", "sd": "SD", **{p: f"P{int(p[1:])}" for p in PERCENTILES}}
_READING = (
    "Each row is a test, done in one way, in one group. Each athlete counts once, with the middle of their "
    "own sessions, so that somebody who tests often does not count more. Mean and SD are over athletes; the "
    "SD includes measurement error.",
    "A percentile says how many of the group are below: a quarter of the group is below P25, half below P50, "
    "the median. Percentiles are of the values as measured: where lower is better (times), P10 is a fast "
    "time.",
    "The small numbers beside a value are its 90 % interval: where the value could well be in more athletes "
    "like these. Of the mean it is mean ± t × SD / √n (Student 1908), of a percentile it is from the ranks. "
    "No interval: too few athletes to tell.",
    "Numbers are told in steps of at least 5 × SD / athletes, so that nobody's own value can be worked out "
    "from the tables of two weeks or two groups. The standard error of a mean grows by that 12 % at most.",
    "Fewer than 8 athletes have no row; from 8 there are mean, SD and median; from 20 also the quartiles P25 "
    "and P75; from 40 also P10 and P90; from 100 also P5 and P95. The last column says what is next.",
    "A group with the same athletes as the wider one has no row of its own. A group is left out where, "
    "together with the wider one, it would show the values of fewer than 8 athletes; the line above the "
    "table names it.",
)
_CARE = (
    "No injury risk, no clearance, no ranking; maximal tests need preparation and supervision, more so for "
    "youths and after injury; local rules and licensed people come first.",
    "A norm describes a group. It is no target.",
    "Who is in here: athletes who test at this facility, healthy enough to do so, with sex and birth date on "
    "the roster. That is a convenience sample, no picture of a whole sport or age.",
    "Only values measured in the same way stand in one row. Electronic timing removes the operator's "
    "reaction, not set-up, trigger limb, wind, identity or selection of trials.",
    "The last sheet says of each test how it is worked out and what to keep in mind.",
)


@dataclass(frozen=True)
class About:
    """What the first sheet says; `week` and `norms_version` are None where there are no norms yet.

    `too_few`: tests without a group that is large enough, with the athletes of the largest or None.
    """

    facility_name: str
    units: str
    week: date | None
    norms_version: str | None
    athletes: int
    too_few: Mapping[str, int | None]

    @property
    def footer(self) -> tuple[str, str]:
        """What stands below each page beside its number."""
        return self.facility_name, self.norms_version or ""


def workbook_writer(norms: pl.DataFrame, about: About, metrics: dict[str, Metric]) -> Writer:
    """A writer of the workbook from the rows of `coach.coach_norms`; `metrics` in the order of coaches."""

    def fill(book: xlsxwriter.Workbook) -> None:
        made = {"title": "Norms", "company": about.facility_name, "created": _CREATED}
        book.set_properties(made | {"comments": WORKBOOK_MARK})
        styles = Styles(book)
        _read_me(book.add_worksheet("Read me"), about, styles)
        for (sex, ages), rows in norms.group_by("sex", "ages", maintain_order=True):
            sheet = book.add_worksheet(_sheet_name(f"{sex} {ages}"))
            _norms_sheet(sheet, f"{sex}, {ages}: week of {about.week}", rows, styles)
            print_setup(sheet, about.footer, about.units, landscape=True)
        if not norms.is_empty():
            sheet = book.add_worksheet("Tests")
            _tests_sheet(sheet, norms, metrics, styles)
            print_setup(sheet, about.footer, about.units, landscape=True)

    def write(path: Path) -> None:
        try:
            with xlsxwriter.Workbook(path, _OPTIONS) as book:
                fill(book)
        except FileCreateError as error:
            # The library hides what the disk said: no rights, no space, no folder.
            cause = error.args[0]
            raise cause if isinstance(cause, OSError) else OSError(str(error)) from None

    return write


def _read_me(sheet: Worksheet, about: About, styles: Styles) -> None:
    lines = [("title", f"Norms of {about.facility_name}"), *(("text", line) for line in _edition(about))]
    for heading, texts in (
        ("Before you use them", _CARE),
        ("How to read them", _READING),
        ("Not enough athletes yet", _too_few(about)),
    ):
        if texts:
            lines += [("heading", f"\n{heading}"), *(("text", text) for text in texts)]
    sheet.set_column(0, 0, _READ_ME_WIDTH)
    print_setup(sheet, about.footer, about.units, landscape=False)
    for row, (style, line) in enumerate(lines):
        # Letters of the title are larger.
        width = _READ_ME_WIDTH * 0.7 if style == "title" else _READ_ME_WIDTH
        sheet.set_row(row, height([line], [width]) + (6 if style == "title" else 3))
        sheet.write_string(row, 0, line, styles[style])


def _edition(about: About) -> list[str]:
    if about.week is None:
        return ["There are no norms yet: no group has enough athletes, or nothing has been taken in."]
    sunday = about.week + timedelta(days=6)
    return [
        f"Week of {about.week.isoformat()} to {sunday.isoformat()}, from the sessions of the "
        f"{WINDOW_DAYS} days that end with it. {about.athletes} athletes have a result in these days. "
        f"Version {about.norms_version}."
    ]


def _too_few(about: About) -> list[str]:
    if not about.too_few:
        return []
    counted = "Most athletes of one sex and age who have done a test in the same way; 8 make a group."
    few = f"fewer than {COUNTED_FROM}"
    return [counted, *(f"{test} – {few if n is None else n}" for test, n in about.too_few.items())]


def _norms_sheet(sheet: Worksheet, title: str, rows: pl.DataFrame, styles: Styles) -> None:
    """A row a test, series and group; only the columns that some row has something for."""
    shown = rows.filter(pl.col("mean").is_not_null())
    columns = _columns(shown)
    table_head(sheet, title, _left_out(rows), columns, styles)
    for row, norm in enumerate(shown.iter_rows(named=True), start=FIRST_ROW):
        for place, column in enumerate(columns):
            _write_cell(sheet, row, place, column, norm, styles)
        wrapped = [column for column in columns if column.kind == "cell"]
        sheet.set_row(row, height([norm[c.name] or "" for c in wrapped], [c.width for c in wrapped]))
    sheet.autofilter(FIRST_ROW - 1, 0, FIRST_ROW - 1 + shown.height, len(columns) - 1)


def _columns(shown: pl.DataFrame) -> list[Column]:
    """What a row of norms is, and each number that some row has with its interval beside it."""
    columns = [
        Column("test", "Test", 23),
        Column("how", "How", 40),
        Column("group", "Group", 16),
        Column("n_athletes", "Athletes", 10, "number"),
        Column("unit", "Unit", 7, "centred"),
        Column("better", "Better", 8, "centred"),
    ]
    for name, head in _NUMBERS.items():
        if shown[name].is_not_null().any():
            columns.append(Column(name, head, 8, "number"))
        low = f"{name}_low"
        if low in shown.columns and shown[low].is_not_null().any():
            columns.append(Column(low, "90 % interval", 13, "interval"))
    return [*columns, Column("note", "Not shown yet", 19)]


def _write_cell(
    sheet: Worksheet, row: int, place: int, column: Column, norm: dict[str, Any], styles: Styles
) -> None:
    """A cell of a row of norms: a number as a number, an interval as a small text beside it."""
    value = norm[column.name]
    if column.kind == "interval":
        value = _interval(value, norm[column.name.replace("_low", "_high")], norm["decimals"])
    if column.kind != "number":
        sheet.write_string(row, place, value or "", styles[column.kind])
    elif value is None:
        sheet.write_blank(row, place, None, styles["cell"])
    else:
        decimals = norm["decimals"] if column.name in _NUMBERS else 0
        sheet.write_number(row, place, value, styles.number(decimals))


def _left_out(rows: pl.DataFrame) -> str:
    """Which groups are left out of how many rows, for the line above a table."""
    hidden = rows.filter(pl.col("mean").is_null()).group_by("group", maintain_order=True).len().rows()
    if not hidden:
        return "How to read this: see the first sheet."
    groups = "; ".join(f"{group} ({n} {'test' if n == 1 else 'tests'})" for group, n in hidden)
    return f"How to read this: see the first sheet. Left out, being too much like the wider group: {groups}."


def _tests_sheet(sheet: Worksheet, norms: pl.DataFrame, metrics: dict[str, Metric], styles: Styles) -> None:
    units = dict(norms.select("metric", "unit").iter_rows())
    columns = [
        Column("label", "Test", 28),
        Column("unit", "Unit", 8),
        Column("better", "Better", 8),
        Column("formula", "How it is worked out", 46),
        Column("caution", "Keep in mind", 60),
    ]
    table_head(sheet, "The tests", _CARE[0], columns, styles)
    tests = [metric for name, metric in metrics.items() if name in units]
    for row, metric in enumerate(tests, start=FIRST_ROW):
        cells = [metric.label, units[metric.metric], DIRECTIONS[metric.better], metric.formula]
        cells.append(metric.caution)
        sheet.set_row(row, height(cells, [column.width for column in columns]))
        for place, text in enumerate(cells):
            sheet.write_string(row, place, text, styles["cell"])


def _sheet_name(text: str) -> str:
    """A name that a workbook allows: 31 characters, none of []:*?/\\."""
    return re.sub(r"[\[\]:*?/\\]", "-", text)[:31]


def _interval(low: float | None, high: float | None, decimals: int) -> str:
    if low is None or high is None:
        return ""
    between = " to " if low < 0 else "–"
    return f"{low:.{decimals}f}{between}{high:.{decimals}f}"

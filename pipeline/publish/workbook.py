"""The norms workbook: a page that says how to read it, a page a group, and the tests."""

from __future__ import annotations

import re
from collections.abc import Callable, Mapping
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
from pipeline.publish.words import said_alike
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
EVERYONE = "everyone"  # the group that has all of a sex and age
_WITH_INTERVAL = ("mean", "p50")  # all others' are in the CSV
_NUMBERS = {"mean": "Mean", "sd": "SD", **{p: f"P{int(p[1:])}" for p in PERCENTILES}}
_READING = (
    "Each page is a group, each row a test done in one way. Each athlete counts once, with the middle of "
    "their own sessions, so that somebody who tests often does not count more. Mean and SD are over "
    "athletes; the SD includes measurement error.",
    "A percentile says how many of the group are below: a quarter of the group is below P25, half below P50, "
    "the median. Percentiles are of the values as measured: where lower is better (times), P10 is a fast "
    "time.",
    "The small numbers beside a value are its 90 % interval: where the value could well be in more athletes "
    "like these. Of the mean it is mean ± t × SD / √n (Student 1908), of a percentile it is from the ranks. "
    "No interval: too few athletes to tell.",
    "So that nobody's own value can be worked out from the tables of two weeks, a group's numbers are "
    "renewed only when five athletes' values have changed; the column Week says of which week they are. And "
    "they are told in steps of at least 5 × SD / athletes: a mean's standard error grows by 12 % at most.",
    "Fewer than 8 athletes have no row; from 8 there are mean, SD and median; from 20 also the quartiles P25 "
    "and P75; from 40 also P10 and P90; from 100 also P5 and P95. Their intervals are in the CSV.",
    "A group with the same athletes as the wider one has no row of its own. A group is left out where, "
    "together with the wider one or an earlier table, it would show the values of a few; the line above the "
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
        styles = Styles(book)
        _read_me(book.add_worksheet("Read me"), about, styles)
        names: set[str] = set()
        for (sex, ages, group), rows in norms.group_by("sex", "ages", "group", maintain_order=True):
            if rows["mean"].is_null().all():
                continue
            sheet = book.add_worksheet(sheet_name(f"{sex} {ages} {group}", names))
            of_ages = norms.filter(pl.col("sex") == sex, pl.col("ages") == ages)
            remark = _left_out(of_ages if group == EVERYONE else rows)
            title = f"{sex}, {ages}, {group}: week of {about.week}"
            _norms_sheet(sheet, title, remark, rows, about, styles)
        if not norms.is_empty():
            _tests_sheet(book.add_worksheet("Tests"), norms, metrics, about, styles)

    return write_workbook("Norms", about.facility_name, fill)


def write_workbook(title: str, company: str, fill: Callable[[xlsxwriter.Workbook], None]) -> Writer:
    """A writer of a workbook that `fill` puts the sheets into; equal sheets give equal bytes."""

    def write(path: Path) -> None:
        try:
            with xlsxwriter.Workbook(path, _OPTIONS) as book:
                made = {"title": title, "company": company, "created": _CREATED}
                book.set_properties(made | {"comments": WORKBOOK_MARK})
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
    points = 0.0
    for row, (style, line) in enumerate(lines):
        # Letters of the title are larger.
        width = _READ_ME_WIDTH * 0.7 if style == "title" else _READ_ME_WIDTH
        of_row = height([line], [width]) + (6 if style == "title" else 3)
        sheet.set_row(row, of_row)
        sheet.write_string(row, 0, line, styles[style])
        points += of_row
    print_setup(sheet, about.footer, about.units, [_READ_ME_WIDTH], points)


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


def _norms_sheet(
    sheet: Worksheet, title: str, remark: str, rows: pl.DataFrame, about: About, styles: Styles
) -> None:
    """The tests of a group, each with a row a series; only the columns that some row has something for."""
    shown = rows.filter(pl.col("mean").is_not_null())
    columns = _columns(shown)
    points = table_head(sheet, title, remark, columns, styles)
    row = FIRST_ROW
    for _, of_test in shown.group_by("metric", maintain_order=True):
        alike, differing = said_alike(of_test["how"].to_list())
        head = _test_in_words(of_test.row(0, named=True), alike)
        sheet.merge_range(row, 0, row, len(columns) - 1, head, styles["head of rows"])
        of_head = height([head], [sum(column.width for column in columns)])
        sheet.set_row(row, of_head)
        points += of_head
        for how, norm in zip(differing, of_test.iter_rows(named=True), strict=True):
            row += 1
            shown_how = how or "as measured"
            for place, column in enumerate(columns):
                _write_cell(sheet, row, place, column, norm | {"how": shown_how}, styles)
            of_row = height([shown_how], [columns[0].width])
            sheet.set_row(row, of_row)
            points += of_row
        row += 1
    print_setup(sheet, about.footer, about.units, [column.width for column in columns], points)


def _test_in_words(norm: dict[str, Any], alike: str) -> str:
    """What the rows below are of: the test, its unit, which direction is better, what all have in common."""
    unit = f" [{norm['unit']}]" if norm["unit"] else ""
    better = f", {norm['better']} is better" if norm["better"] else ""
    return f"{norm['test']}{unit}{better}{': ' if alike else ''}{alike}"


def _columns(shown: pl.DataFrame) -> list[Column]:
    """What a row of norms is, each number that some row has, and the intervals of mean and median."""
    columns = [Column("how", "Done how", 54), Column("n_athletes", "Athletes", 9, "number")]
    for name, head in _NUMBERS.items():
        if shown[name].is_not_null().any():
            columns.append(Column(name, head, 7.5, "number"))
        if name in _WITH_INTERVAL and shown[f"{name}_low"].is_not_null().any():
            columns.append(Column(f"{name}_low", "90 % interval", 13, "interval"))
    return [*columns, Column("numbers_of", "Week", 11, "centred")]


def _write_cell(
    sheet: Worksheet, row: int, place: int, column: Column, norm: dict[str, Any], styles: Styles
) -> None:
    """A cell of a row of norms: a number as a number, an interval as a small text beside it."""
    value = norm[column.name]
    if column.name == "numbers_of":
        value = value.isoformat()
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
    return f"How to read this: see the first sheet. Left out to protect single athletes: {groups}."


def _tests_sheet(
    sheet: Worksheet, norms: pl.DataFrame, metrics: dict[str, Metric], about: About, styles: Styles
) -> None:
    units = dict(norms.select("metric", "unit").iter_rows())
    columns = [
        Column("label", "Test", 28),
        Column("unit", "Unit", 8),
        Column("better", "Better", 8),
        Column("formula", "How it is worked out", 46),
        Column("caution", "Keep in mind", 60),
    ]
    widths = [column.width for column in columns]
    points = table_head(sheet, "The tests", _CARE[0], columns, styles)
    tests = [metric for name, metric in metrics.items() if name in units]
    for row, metric in enumerate(tests, start=FIRST_ROW):
        cells = [metric.label, units[metric.metric], DIRECTIONS[metric.better], metric.formula]
        cells.append(metric.caution)
        of_row = height(cells, widths)
        sheet.set_row(row, of_row)
        points += of_row
        for place, text in enumerate(cells):
            sheet.write_string(row, place, text, styles["cell"])
    print_setup(sheet, about.footer, about.units, widths, points)


def sheet_name(text: str, taken: set[str]) -> str:
    """A name that a workbook allows, and that no other sheet has: 31 characters, none of []:*?/\\."""
    allowed = re.sub(r"[\[\]:*?/\\]", "-", text)
    name, number = allowed[:31].strip("' "), 1
    while name.lower() in taken:
        number += 1
        name = f"{allowed[:27].strip()} {number}"
    taken.add(name.lower())
    return name


def _interval(low: float | None, high: float | None, decimals: int) -> str:
    if low is None or high is None:
        return ""
    between = " to " if low < 0 else "–"
    return f"{low:.{decimals}f}{between}{high:.{decimals}f}"

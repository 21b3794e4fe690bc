"""The norms workbook: a page that says how to read it, a sheet a sex and age band, and the tests."""

from __future__ import annotations

import re
from dataclasses import dataclass
from datetime import date, datetime, timedelta
from pathlib import Path
from typing import Any

import polars as pl
import xlsxwriter
from xlsxwriter.format import Format
from xlsxwriter.worksheet import Worksheet

from pipeline.analysis.norm_tables import PERCENTILE_NEEDS
from pipeline.analysis.norms import WINDOW_DAYS
from pipeline.publish.files import Writer
from schemas.catalogue import Metric

PERCENTILES = tuple(f"p{p:02d}" for p in PERCENTILE_NEEDS)
DIRECTIONS = {"higher": "higher is better", "lower": "lower is better", "context": ""}
# Any fixed instant: equal norms give equal bytes.
_CREATED = datetime(2000, 1, 1)
_OPTIONS = {
    "in_memory": True,
    "strings_to_formulas": False,
    "strings_to_urls": False,
    "strings_to_numbers": False,
}
_PAPER = {"metric": 9, "us": 1}  # A4, Letter
_STYLES: dict[str, dict[str, Any]] = {
    "title": {"bold": True, "font_size": 14},
    "text": {"text_wrap": True, "valign": "top"},
    "head": {"bold": True, "text_wrap": True, "valign": "vcenter", "bottom": 1, "bg_color": "#E8EDF2"},
    "value": {"text_wrap": True, "valign": "top", "align": "center"},
}
_READING = (
    "Each athlete counts once, with the middle of their own sessions, so that somebody who tests often does "
    "not count more. Mean ± SD is over athletes; the SD includes measurement error.",
    "A percentile says how many of the group are below: a quarter of the group is below P25, half below P50. "
    "Percentiles are of the values as measured: where lower is better (times), P10 is a fast time.",
    "The two numbers below a percentile are its 90 % interval: where it could well be in more athletes like "
    "these. No numbers there: too few athletes to tell.",
    "Under 8 athletes there are no values; from 8 mean, SD and median; from 20 also P25 and P75; from 40 "
    "also P10 and P90; from 100 also P5 and P95. The last column says what was left out, and why.",
    "Who is in here: athletes who test at this facility, healthy enough to do so. That is a convenience "
    "sample, no picture of a whole sport or age.",
    "Only values measured in the same way stand in one row. Electronic timing removes the operator's "
    "reaction, not set-up, trigger limb, wind, identity or selection of trials.",
    "A norm describes a group. It is no target, says nothing about the risk of injury, and clears nobody.",
)


@dataclass(frozen=True)
class About:
    """What the first sheet says; `week` and `norms_version` are None where there are no norms yet."""

    facility_name: str
    units: str
    week: date | None
    norms_version: str | None
    athletes: int


def workbook_writer(norms: pl.DataFrame, about: About, catalogue: dict[str, Metric]) -> Writer:
    """A writer of the workbook from the rows of `coach.coach_norms`."""

    def write(path: Path) -> None:
        with xlsxwriter.Workbook(path, _OPTIONS) as book:
            book.set_properties({"title": "Norms", "company": about.facility_name, "created": _CREATED})
            styles = {name: book.add_format(style) for name, style in _STYLES.items()}
            _read_me(book.add_worksheet("Read me"), about, styles)
            for (sex, ages), rows in norms.group_by("sex", "ages", maintain_order=True):
                sheet = book.add_worksheet(_sheet_name(f"{sex} {ages}"))
                _norms_sheet(sheet, f"{sex}, {ages}", rows, about, styles)
            if not norms.is_empty():
                _tests_sheet(book.add_worksheet("Tests"), norms, catalogue, about, styles)

    return write


def _read_me(sheet: Worksheet, about: About, styles: dict[str, Format]) -> None:
    lines = [f"Norms of {about.facility_name}", *_edition(about), *_READING]
    sheet.set_column(0, 0, 95)
    _print_setup(sheet, about, landscape=False)
    for row, line in enumerate(lines):
        sheet.write_string(row, 0, line, styles["title" if row == 0 else "text"])


def _edition(about: About) -> list[str]:
    if about.week is None:
        return ["There are no norms yet: no group has enough athletes, or nothing has been taken in."]
    sunday = about.week + timedelta(days=6)
    return [
        f"Week of {about.week.isoformat()} to {sunday.isoformat()}, from the sessions of the "
        f"{WINDOW_DAYS} days that end with it.",
        f"Version {about.norms_version}. {about.athletes} athletes have a result in these days.",
    ]


def _norms_sheet(
    sheet: Worksheet, title: str, rows: pl.DataFrame, about: About, styles: dict[str, Format]
) -> None:
    """A row a test, series and group; only the percentiles that some group is large enough for."""
    used = [p for p in PERCENTILES if rows[p].is_not_null().any()]
    heads = ["Test", "How", "Group", "Athletes", "Unit", "Mean ± SD"]
    heads += [f"P{int(p[1:])}\n90 % interval" for p in used] + ["Left out"]
    widths = [22, 30, 24, 9, 6, 13, *(13 for _ in used), 34]
    _table_head(sheet, f"{title}: week of {about.week}", heads, widths, styles)
    for row, norm in enumerate(rows.iter_rows(named=True), start=2):
        left = [_test(norm), norm["how"], norm["group"], str(norm["n_athletes"]), norm["unit"], _mean(norm)]
        cells = [*left, *(_percentile(norm, p) for p in used), norm["note"] or ""]
        for column, text in enumerate(cells):
            centred = 3 <= column < len(cells) - 1
            sheet.write_string(row, column, text, styles["value" if centred else "text"])
    sheet.ignore_errors({"number_stored_as_text": f"A3:Z{rows.height + 2}"})
    sheet.freeze_panes(2, 1)
    _print_setup(sheet, about, landscape=True)


def _tests_sheet(
    sheet: Worksheet,
    norms: pl.DataFrame,
    catalogue: dict[str, Metric],
    about: About,
    styles: dict[str, Format],
) -> None:
    units = dict(norms.select("metric", "unit").iter_rows())
    heads = ["Test", "Unit", "Direction", "Formula", "Keep in mind"]
    _table_head(sheet, "The tests", heads, [28, 8, 18, 50, 60], styles)
    tests = [metric for name, metric in catalogue.items() if name in units]
    for row, metric in enumerate(tests, start=2):
        cells = [metric.label, units[metric.metric], DIRECTIONS[metric.better], metric.formula]
        cells.append(metric.caution)
        for column, text in enumerate(cells):
            sheet.write_string(row, column, text, styles["text"])
    sheet.freeze_panes(2, 1)
    _print_setup(sheet, about, landscape=True)


def _table_head(
    sheet: Worksheet, title: str, heads: list[str], widths: list[int], styles: dict[str, Format]
) -> None:
    sheet.write_string(0, 0, title, styles["title"])
    for column, (head, width) in enumerate(zip(heads, widths, strict=True)):
        sheet.set_column(column, column, width)
        sheet.write_string(1, column, head, styles["head"])
    sheet.repeat_rows(0, 1)


def _print_setup(sheet: Worksheet, about: About, landscape: bool) -> None:
    if landscape:
        sheet.set_landscape()
    sheet.set_paper(_PAPER[about.units])
    sheet.set_margins(left=0.4, right=0.4, top=0.5, bottom=0.6)
    sheet.fit_to_pages(1, 0)
    # An ampersand is a command in a footer, and a footer has 255 characters.
    name = about.facility_name[:80].replace("&", "&&")
    sheet.set_footer(f"&L{name}&C{about.norms_version or ''}&R&P / &N")


def _sheet_name(text: str) -> str:
    """A name that a workbook allows: 31 characters, none of []:*?/\\."""
    return re.sub(r"[\[\]:*?/\\]", "-", text)[:31]


def _test(norm: dict[str, Any]) -> str:
    return f"{norm['test']} ({norm['better']})" if norm["better"] else str(norm["test"])


def _mean(norm: dict[str, Any]) -> str:
    if norm["mean"] is None:
        return ""
    spread = "" if norm["sd"] is None else f" ± {_number(norm['sd'], norm)}"
    return _number(norm["mean"], norm) + spread


def _percentile(norm: dict[str, Any], name: str) -> str:
    if norm[name] is None:
        return ""
    low, high = norm[f"{name}_low"], norm[f"{name}_high"]
    if low is None or high is None:
        return _number(norm[name], norm)
    return f"{_number(norm[name], norm)}\n{_number(low, norm)} to {_number(high, norm)}"


def _number(value: float, norm: dict[str, Any]) -> str:
    return f"{value:.{norm['decimals']}f}"

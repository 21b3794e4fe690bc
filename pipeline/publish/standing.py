"""Where each athlete of a squad stands, with names: for the coach, readable by the owner alone.

Of `against_group`: no body composition, no test of which no direction is better. Under 18, or of unknown age,
nobody is given a place among others (methods, E2): the value stands without a percentile.
"""

from __future__ import annotations

from datetime import date
from pathlib import Path

import polars as pl
import xlsxwriter

from pipeline.analysis.minors import ADULT_YEARS
from pipeline.analysis.populations import completed_years
from pipeline.publish.coach import for_coaches, groups_in_words, tests_in_words
from pipeline.publish.files import put
from pipeline.publish.flat import csv_writer
from pipeline.publish.page import FIRST_ROW, Column, Styles, height, print_setup, table_head
from pipeline.publish.words import in_shown_units, said_alike, series_in_words, to_sort_by
from pipeline.publish.workbook import sheet_name, write_workbook
from schemas.catalogue import Metric

NO_SQUAD = "no squad"
_YOUTH = "under 18: no place"
_NO_ERROR = "error not known yet"
_REMARK = (
    "No ranking and no ground for a choice on its own. Value: the middle of the sessions of 365 days, ± its "
    "standard error. Percentile: how many of the others are behind, so high is better, with the 90 % "
    "interval that error and the number of others leave. Under 18 nobody has a place: at one age, bodies "
    "differ in maturity. No interval: the error is not known yet."
)
_SHORT = 48
_HOW = "What is equal for all rows of a test, and not said in them"
# The name is on every row: a page begins where it must, and rows are sorted and filtered.
_COLUMNS = (
    Column("name", "Athlete", 22),
    Column("row_of", "Test", 52),
    Column("value", "Value", 8, "number"),
    Column("value_error", "± error", 8, "number"),
    Column("unit", "Unit", 7, "centred"),
    Column("percentile", "Percentile", 10, "number"),
    Column("percentile_low", "90 % interval", 9, "interval"),
    Column("group", "Among", 26),
    Column("n_others", "Others", 7, "number"),
    Column("last_date", "Last tested", 11, "centred"),
    Column("note", "Remark", 20),
)


def standing(
    frames: dict[str, pl.DataFrame],
    people: pl.DataFrame,
    units: str,
    catalogue: dict[str, Metric],
    labels: dict[str, str],
    on: date,
) -> pl.DataFrame:
    """A row a squad, athlete and series of `against_group` (frames as published; people: with names).

    Columns: squad, name, athlete_id, test, how, value, value_error, unit, decimals, percentile,
    percentile_low, percentile_high, group, n_others, last_date, note. Who is in several squads is in each.
    Age is taken `on` a day.
    """
    ranked = {name: m for name, m in for_coaches(catalogue).items() if m.better != "context"}
    adult = (completed_years(pl.col("birth_date"), on) >= ADULT_YEARS).fill_null(False)
    known = people.select("athlete_id", "name", is_adult=adult)
    rows = (
        frames["against_group"]
        .join(tests_in_words(ranked), on="metric")
        .join(groups_in_words(frames["populations"]), on="population_id")
        .join(known, on="athlete_id")
        .join(_squads(frames["athletes"]), on="athlete_id")
    )
    beside = rows.select("squad", "series_id").unique().join(frames["series"], on="series_id")
    rows = rows.join(series_in_words(beside, ("squad",), labels), on=["squad", "series_id"])
    place = ("percentile", "percentile_low", "percentile_high")
    no_error = pl.when(pl.col("value_error").is_null()).then(pl.lit(_NO_ERROR))
    note = pl.when("is_adult").then(no_error).otherwise(pl.lit(_YOUTH))
    shown = in_shown_units(rows, ["value", "value_error"], units).with_columns(
        pl.when("is_adult").then(pl.col(place)).name.keep(),
        group=pl.concat_str("sex", "ages", "group", separator=", "),
        note=note,
        unit=pl.col("unit").replace("1", ""),
    )
    columns = ("squad", "name", "athlete_id", "test", "how", "value", "value_error", "unit", "decimals")
    return shown.sort("squad", "name", "athlete_id", "place", to_sort_by(pl.col("how")), "series_id").select(
        *columns, *place, "group", "n_others", "last_date", "note"
    )


def publish_standing(folder: Path, rows: pl.DataFrame, title: str, units: str) -> list[Path]:
    """Write `standing.csv` and `standing.xlsx` (a page a squad) from `standing`; returns them."""
    folder.mkdir(parents=True, exist_ok=True)
    scale = pl.lit(10.0).pow(pl.col("decimals"))
    round_to = (pl.col("value", "value_error") * scale).round() / scale
    rounded = rows.with_columns(round_to, pl.col("^percentile.*$").round())

    def fill(book: xlsxwriter.Workbook) -> None:
        styles, names = Styles(book), set[str]()
        for (squad,), of_squad in rounded.group_by("squad", maintain_order=True):
            sheet = book.add_worksheet(sheet_name(str(squad), names))
            points = table_head(sheet, f"{squad}: {title}", _REMARK, _COLUMNS, styles)
            points += _write(sheet, of_squad, styles)
            print_setup(sheet, (title, ""), units, [column.width for column in _COLUMNS], points)
        if rounded.is_empty():
            sheet = book.add_worksheet("Read me")
            sheet.write_string(0, 0, "Nobody can be compared yet: no group has more than 8 athletes.")

    return [
        put(folder / "standing.xlsx", write_workbook("Standing", title, fill), private=True),
        put(
            folder / "standing.csv", csv_writer(rounded.drop("decimals"), byte_order_mark=True), private=True
        ),
    ]


def _squads(athletes: pl.DataFrame) -> pl.DataFrame:
    """athlete_id and squad, a row a squad."""
    split = athletes.select("athlete_id", squad=pl.col("squad").str.split("|")).explode("squad")
    named = pl.col("squad").str.strip_chars().replace("", None).fill_null(NO_SQUAD)
    return split.with_columns(squad=named).unique()


def _write(sheet: xlsxwriter.worksheet.Worksheet, rows: pl.DataFrame, styles: Styles) -> float:
    """A line an athlete and test, and below what the rows of a test have in common; how high [points]."""
    row, points = FIRST_ROW, 0.0
    common, said = _said_once(rows)
    wrapped = [(place, column.width) for place, column in enumerate(_COLUMNS) if column.kind == "cell"]
    before = None
    cells_of = rows.join(said, on=["test", "how"], maintain_order="left").select(
        *_as_shown(), "decimals", "athlete_id"
    )
    for *cells, decimals, athlete in cells_of.iter_rows():
        for place, (column, value) in enumerate(zip(_COLUMNS, cells, strict=True)):
            if column.kind != "number":
                sheet.write_string(row, place, value, styles[column.kind])
            elif value is None:
                sheet.write_blank(row, place, None, styles["cell"])
            else:
                own = decimals if column.name in ("value", "value_error") else 0
                sheet.write_number(row, place, value, styles.number(own))
        if athlete != before:
            before = athlete
            sheet.write_string(row, 0, cells[0], styles["first cell"])
        of_row = height([cells[place] for place, _ in wrapped], [width for _, width in wrapped])
        sheet.set_row(row, of_row)
        row, points = row + 1, points + of_row
    sheet.autofilter(FIRST_ROW - 1, 0, row - 1, len(_COLUMNS) - 1)
    for text in [_HOW, *common] if common else []:
        style = styles["head of rows" if text == _HOW else "cell"]
        sheet.merge_range(row, 0, row, len(_COLUMNS) - 1, text, style)
        of_row = height([text], [sum(column.width for column in _COLUMNS)])
        sheet.set_row(row, of_row)
        row, points = row + 1, points + of_row
    return points


def _said_once(rows: pl.DataFrame) -> tuple[list[str], pl.DataFrame]:
    """What all rows of each test have in common; and test, how, `row_of`: what is left to be said."""
    common: list[str] = []
    left: list[tuple[str, str, str]] = []
    for (test,), of_test in rows.unique(["test", "how"], maintain_order=True).group_by(
        "test", maintain_order=True
    ):
        hows = of_test["how"].to_list()
        # A test done in one way keeps it on its rows, where it takes no second line.
        in_full = len(hows) == 1 and len(f"{test}: {hows[0]}") > _SHORT
        alike, differing = (hows[0], [""]) if in_full else said_alike(hows)
        if alike:
            common.append(f"{test}: {alike}")
        left += [
            (str(test), how, f"{test}: {own}" if own else str(test))
            for how, own in zip(hows, differing, strict=True)
        ]
    return common, pl.DataFrame(left, ["test", "how", "row_of"], orient="row")


def _as_shown() -> list[pl.Expr]:
    """The columns of a row as they are written: numbers, and all else as text."""
    low, high = (pl.col(f"percentile_{end}").cast(pl.Int64).cast(pl.String) for end in ("low", "high"))
    interval = pl.concat_str(low, high, separator="–").alias("percentile_low")
    return [
        pl.col(column.name)
        if column.kind == "number"
        else (interval if column.kind == "interval" else pl.col(column.name).cast(pl.String)).fill_null("")
        for column in _COLUMNS
    ]

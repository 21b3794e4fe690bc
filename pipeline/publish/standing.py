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
from pipeline.publish.words import in_shown_units, series_in_words, to_sort_by
from pipeline.publish.workbook import sheet_name, write_workbook
from schemas.catalogue import Metric

NO_SQUAD = "no squad"
_YOUTH = "under 18: no place among others"
_NO_ERROR = "no interval: error not known yet"
_REMARK = (
    "No ranking and no ground for a choice on its own. Value: the middle of the sessions of 365 days, ± its "
    "standard error. Percentile: how many of the others are behind, so high is better, with the 90 % "
    "interval that error and the number of others leave. Under 18 nobody has a place: at one age, bodies "
    "differ in maturity."
)
_COLUMNS = (
    Column("how", "Test", 60),
    Column("value", "Value", 9, "number"),
    Column("value_error", "± error", 9, "number"),
    Column("unit", "Unit", 7, "centred"),
    Column("percentile", "Percentile", 10, "number"),
    Column("percentile_low", "90 % interval", 11, "interval"),
    Column("group", "Among", 28),
    Column("n_others", "Others", 8, "number"),
    Column("last_date", "Last tested", 12, "centred"),
    Column("note", "Remark", 26),
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
    """The athletes of a squad, each with a line a test; how high they are [points]."""
    row, points = FIRST_ROW, 0.0
    for (name, _), own in rows.group_by("name", "athlete_id", maintain_order=True):
        sheet.merge_range(row, 0, row, len(_COLUMNS) - 1, str(name), styles["head of rows"])
        row, points = row + 1, points + height([""], [1.0])
        for said in own.iter_rows(named=True):
            cells = said | {"how": f"{said['test']}: {said['how']}" if said["how"] else said["test"]}
            for place, column in enumerate(_COLUMNS):
                _write_cell(sheet, row, place, column, cells, styles)
            wrapped = [column for column in _COLUMNS if column.kind == "cell"]
            of_row = height([cells[c.name] or "" for c in wrapped], [c.width for c in wrapped])
            sheet.set_row(row, of_row)
            row, points = row + 1, points + of_row
    return points


def _write_cell(
    sheet: xlsxwriter.worksheet.Worksheet,
    row: int,
    place: int,
    column: Column,
    cells: dict[str, object],
    styles: Styles,
) -> None:
    value = cells[column.name]
    if column.kind == "interval":
        low, high = cells["percentile_low"], cells["percentile_high"]
        value = f"{low:.0f}–{high:.0f}" if low is not None and high is not None else ""
    if column.kind != "number":
        sheet.write_string(row, place, "" if value is None else str(value), styles[column.kind])
    elif not isinstance(value, int | float):
        sheet.write_blank(row, place, None, styles["cell"])
    else:
        decimals = cells["decimals"] if column.name in ("value", "value_error") else 0
        assert isinstance(decimals, int)
        sheet.write_number(row, place, value, styles.number(decimals))

"""A sheet to fill by hand: the roster down the side, the columns of the family's own hand-written layout."""

from __future__ import annotations

import csv
import io
from datetime import date

import polars as pl

from pipeline.facility.folder import Facility
from pipeline.formulas import safe
from pipeline.intake.layouts import SHEET_PREFIX, Layout


def hand_sheet(facility: Facility, family: str, day: date) -> str:
    """The sheet as CSV text: a row for each athlete on the roster, with id, name and date filled in.

    Its columns are those of the layout `sheet-<family>`; KeyError (with what to do) where that is missing.
    """
    name = SHEET_PREFIX + family
    layout = facility.layouts.get(name)
    if layout is None:
        raise KeyError(
            f"there is no sound layout {name} in {facility.config / 'layouts'}; "
            "copy it from a folder newly made with `yardmark init`, and name its device in facility.toml"
        )
    text = io.StringIO(newline="")
    writer = csv.writer(text, delimiter=layout.file.delimiter, lineterminator="\n")
    header = columns_of(layout)
    writer.writerow(header)
    people = facility.athletes.select("athlete_id", "name").sort("name")
    for athlete_id, person in people.filter(pl.col("athlete_id").is_not_null()).iter_rows():
        given = _given(layout, athlete_id, person or "", day)
        writer.writerow([safe(given.get(column, "")) for column in header])
    return text.getvalue()


def columns_of(layout: Layout) -> list[str]:
    """The sheet's header row: who and when first, what is measured last."""
    names = list(layout.mapped_names)
    first = [*_sources(layout, "athlete"), *layout.ignore, *_sources(layout, "performed_at")]
    return list(dict.fromkeys([*first, *names]))


def _sources(layout: Layout, target: str) -> list[str]:
    return list(layout.columns[target].from_ or ())


def _given(layout: Layout, athlete_id: str, person: str, day: date) -> dict[str, str]:
    given = dict.fromkeys(layout.ignore, person)
    given |= dict.fromkeys(_sources(layout, "athlete"), athlete_id)
    given |= {
        name: day.strftime(layout.columns["performed_at"].format or "%Y-%m-%d")
        for name in _sources(layout, "performed_at")
    }
    return given

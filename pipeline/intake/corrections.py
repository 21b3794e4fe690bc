"""`config/corrections.csv` applied: a corrected row is a new version, the old one stays.

Pure. Actions: strike (the row leaves), move (to another athlete), relabel (another test), supply (a fact that
the device does not export); and, which only answers make, convert (a number times `value`) and swap (two
words, `a/b`, each for the other). All that a
correction names must hold for the rows it meets. A line stands for the row that it said, whichever version
of it is current. A strike of a file without a line withdraws the file: what it said counts no more, and an
earlier or other file's word does.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date, datetime

import polars as pl

from schemas.core import Family
from schemas.fields import FIELDS

# Column of the corrections -> what it selects by.
SELECTORS = {
    "device": "device",
    "file_id": "file_id",
    "file_line": "line",
    "athlete_id": "athlete_id",
    "date": "date",
    "test": "test",
    "trial": "trial",
}


@dataclass
class Corrected:
    """Rows after the corrections, and the versions they took the place of (with cause and known_until).

    `met`: place of a correction among the corrections -> the row_ids that it changed.
    """

    rows: pl.DataFrame
    superseded: pl.DataFrame
    met: dict[int, list[str]]


def is_withdrawal(correction: Mapping[str, object]) -> bool:
    """Whether a correction takes back a whole file."""
    others = ["lines", *(name for name in SELECTORS if name not in ("file_id", "device"))]
    named = [name for name in others if correction.get(name) not in (None, "")]
    return correction["action"] == "strike" and bool(correction["file_id"]) and not named


def withdrawn_files(corrections: pl.DataFrame) -> dict[str, date | None]:
    """File (first 16 digits) -> the day it was withdrawn, where the correction says one."""
    return {str(row["file_id"])[:16]: row["made_on"] for row in corrections.to_dicts() if is_withdrawal(row)}


def apply_corrections(
    family: Family, rows: pl.DataFrame, corrections: pl.DataFrame, places: pl.DataFrame
) -> Corrected:
    """Apply corrections, but for withdrawals, in order to the current rows of a family.

    `rows` has the family's columns, row_id, athlete_id, device, local_date, version; `places` the row_id,
    file and line of every version of them. Corrections of another family's fields meet no rows here. Those
    that name nothing to be met are passed over.
    """
    earlier: list[pl.DataFrame] = []
    changed: dict[int, list[str]] = {}
    for place, correction in enumerate(corrections.iter_rows(named=True)):
        met = None if is_withdrawal(correction) else _met(family, rows, correction, places)
        if met is None:
            continue
        change = _change(family, correction)
        hit = rows.filter(met)
        if hit.is_empty() or (change is None and correction["action"] != "strike"):
            continue
        changed[place] = hit["row_id"].to_list()
        struck = correction["action"] == "strike"
        made_on = correction["made_on"]
        day = datetime(made_on.year, made_on.month, made_on.day) if made_on else None
        at = pl.lit(correction.get("at") or day, dtype=pl.Datetime("us"))
        # Corrected on the day of the test, at midnight, or before the file came: not before it was known.
        until = pl.when(at.is_not_null()).then(pl.max_horizontal(at, "known_from"))
        earlier.append(
            hit.with_columns(
                cause=pl.lit("strike" if struck else "correction"),
                known_until=until,
                superseded_by=pl.lit(None, dtype=pl.String)
                if struck
                else (pl.col("version") + 1).cast(pl.String),
            )
        )
        if struck:
            rows = rows.filter(~met)
        elif change is not None:
            column, value = change
            new = pl.lit(value).cast(rows.schema[column], strict=False)
            if correction["action"] == "convert":
                new = pl.col(column) * new
            elif correction["action"] == "swap":
                new = _swapped(column, str(value))
            rows = rows.with_columns(
                pl.when(met).then(new).otherwise(pl.col(column)).alias(column),
                pl.when(met).then(pl.col("version") + 1).otherwise("version").alias("version"),
                pl.when(met).then(until).otherwise("known_from").alias("known_from"),
            )
    empty = rows.head(0).with_columns(
        cause=pl.lit(None, dtype=pl.String),
        known_until=pl.lit(None, dtype=pl.Datetime("us")),
        superseded_by=pl.lit(None, dtype=pl.String),
    )
    return Corrected(rows, pl.concat([empty, *earlier], how="vertical_relaxed"), changed)


def _met(
    family: Family, rows: pl.DataFrame, correction: dict[str, object], places: pl.DataFrame
) -> pl.Expr | None:
    """Which rows a correction is about; None where it names nothing, or what this family does not have."""
    named = {
        key: correction[name] for name, key in SELECTORS.items() if correction.get(name) not in (None, "")
    }
    if not named:
        return None
    met = pl.lit(True)
    if "file_id" in named:
        said = places.filter(pl.col("file") == str(named.pop("file_id"))[:16])
        if "line" in named:
            said = said.filter(pl.col("line") == named.pop("line"))
        lines = correction.get("lines")
        if isinstance(lines, list):
            said = said.filter(pl.col("line").is_in(lines))
        met = pl.col("row_id").is_in(said["row_id"].unique().implode())
    for key, value in named.items():
        column = {
            "date": "local_date",
            "trial": family.numbered,
            "test": next((c for c in ("test", "quantity") if c in rows.columns), None),
        }.get(key, key)
        if column is None:
            return None
        met &= pl.col(column) == value
    return met.fill_null(False)


def _change(family: Family, correction: dict[str, object]) -> tuple[str, object] | None:
    """(column, value) that a correction sets; None for a strike or a field this family does not have."""
    action, value = correction["action"], correction["value"]
    if action == "move":
        return "athlete_id", value
    samples = family.trace.columns if family.trace else ()
    names = {f.name for f in family.columns if f.name not in samples} | {"mark"}
    column = str(correction["field"] or ("test" if action == "relabel" else ""))
    if action not in ("relabel", "supply", "convert", "swap") or column not in names:
        return None
    known = (FIELDS["mark"] if column == "mark" else family.field(column)).values
    words = str(value).split("/") if action == "swap" else [str(value)]
    # A word that another family has for it says nothing of this one's rows.
    return (column, value) if not known or set(words) <= set(known) else None


def _swapped(column: str, pair: str) -> pl.Expr:
    """A column with each of two words, `a/b`, in place of the other."""
    one, other = pair.split("/")
    return pl.col(column).replace({one: other, other: one})

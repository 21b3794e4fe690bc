"""Which rows each correction met: for what is told of a row, and for corrections that meet none."""

from __future__ import annotations

from collections.abc import Collection, Mapping
from typing import Any

import polars as pl

from pipeline.facility.problems import Problem
from pipeline.facility.records import CORRECTIONS_FILE
from pipeline.intake.answers import FILE as ANSWERS_FILE
from pipeline.intake.corrections import apply_corrections, is_withdrawal
from pipeline.intake.earlier import earlier_rows
from pipeline.warehouse.store import Warehouse
from schemas.core import Family
from schemas.families import FAMILIES
from schemas.tables import TRIAL_TABLES

_BY_CORRECTION = ("correction", "strike")
# What a correction names -> the column by which its rows are found; the first that it names.
_FOUND_BY = {"file_id": "file_id", "date": "local_date", "athlete_id": "athlete_id", "device": "device"}


def tables_to_meet(warehouse: Warehouse, corrections: pl.DataFrame) -> dict[str, pl.DataFrame]:
    """The trial tables and superseded_rows, as far as `unmet_corrections` needs them: all rows that were ever
    corrected, and those of the files, days, athletes or devices that corrections name.

    Whether a correction meets a row depends on that row alone, so what is left out changes nothing.
    """
    named: dict[str, list[Any]] = {column: [] for column in _FOUND_BY.values()}
    anything = False
    for correction in corrections.iter_rows(named=True):
        by = next((name for name in _FOUND_BY if correction[name] not in (None, "")), None)
        if by is None:
            anything = True
        else:
            named[_FOUND_BY[by]].append(correction[by])
    named["file_id"] = [str(file)[:16] for file in named["file_id"]]
    schema = {column: pl.Date if column == "local_date" else pl.String for column in named}
    frames = {
        f"_{column}": pl.DataFrame({column: values}, {column: schema[column]}).unique()
        for column, values in named.items()
    }
    of_files = "SELECT row_id FROM superseded_rows WHERE file_id IN (FROM _file_id)"
    causes = ", ".join(f"'{cause}'" for cause in _BY_CORRECTION)
    known = f"SELECT row_id FROM superseded_rows WHERE cause IN ({causes}) UNION {of_files}"
    ids = warehouse.select(known, _file_id=frames["_file_id"])
    conditions = ["row_id IN (FROM _ids)", *(f"{column} IN (FROM _{column})" for column in named)]
    where = "true" if anything else " OR ".join(conditions)
    tables = {name: warehouse.rows(name, where, _ids=ids, **frames) for name in TRIAL_TABLES}
    earlier = "true" if anything else "row_id IN (FROM _ids)"
    return {**tables, "superseded_rows": warehouse.rows("superseded_rows", earlier, _ids=ids)}


def rows_met(
    tables: Mapping[str, pl.DataFrame], corrections: pl.DataFrame, withdrawn: Collection[str]
) -> list[list[str]]:
    """The row_ids that each correction changed, in the order of the corrections; a withdrawal's are those of
    its file.

    `tables`: the trial tables and superseded_rows; `withdrawn`: files of which nothing counts any more.
    The rows as they were before any correction are put together from them, and corrected again.
    """
    met: list[list[str]] = [[] for _ in range(corrections.height)]
    superseded = tables["superseded_rows"]
    for place, correction in enumerate(corrections.iter_rows(named=True)):
        if is_withdrawal(correction):
            file = pl.col("file_id") == str(correction["file_id"])[:16]
            met[place] = superseded.filter(file & (pl.col("cause") == "strike"))["row_id"].to_list()
    for family in FAMILIES.values():
        rows, places = _before(family, tables, list(withdrawn))
        for place, ids in apply_corrections(family, rows, corrections, places).met.items():
            met[place] += ids
    return met


def unmet_corrections(
    tables: Mapping[str, pl.DataFrame], corrections: pl.DataFrame, withdrawn: Collection[str]
) -> list[Problem]:
    """A look at each correction, and each answer about suspected trials, that changes no row: it names a row
    that was never read, waits, or is named otherwise. Arguments: see `rows_met`.

    A withdrawal that is not in force yet meets the rows that its file said.
    """
    met = rows_met(tables, corrections, withdrawn)
    said = {file for name in TRIAL_TABLES for file in tables[name]["file_id"].unique()}
    for rows, correction in zip(met, corrections.iter_rows(named=True), strict=True):
        if is_withdrawal(correction) and str(correction["file_id"])[:16] in said:
            rows.append(str(correction["file_id"]))
    return [
        _unmet(correction)
        for rows, correction in zip(met, corrections.iter_rows(named=True), strict=True)
        if not rows
    ]


def _unmet(correction: Mapping[str, Any]) -> Problem:
    file = f"config/{ANSWERS_FILE}" if correction["line"] is None else CORRECTIONS_FILE
    about = [
        f"{name} {correction[key]}"
        for key, name in (
            ("device", "device"), ("file_id", "file"), ("file_line", "line"), ("lines", "lines"),
            ("athlete_id", "athlete"), ("date", "date"), ("test", "test"), ("trial", "trial"),
        )
        if correction.get(key) not in (None, "")
    ]  # fmt: skip
    said = f"this {correction['action']} meets no row that is loaded ({', '.join(about)})"
    advice = "look whether the line waits in held/, or compare with what `yardmark trace` shows"
    return Problem(file, correction["line"], "action", f"{said}; {advice}", "look")


def _before(
    family: Family, tables: Mapping[str, pl.DataFrame], withdrawn: list[str]
) -> tuple[pl.DataFrame, pl.DataFrame]:
    """A family's current rows as they were before any correction, and the places of all versions."""
    now, superseded = tables[family.table], tables["superseded_rows"]
    changed = superseded.filter(
        pl.col("cause").is_in(_BY_CORRECTION)
        & ~pl.col("file_id").is_in(withdrawn)
        & (pl.col("source_table") == family.table)
    )
    first = changed.sort("row_id", "version").unique("row_id", keep="first", maintain_order=True)
    old = earlier_rows(first, family.table).select(now.columns)
    rows = pl.concat([now.join(old, on="row_id", how="anti"), old])
    known_from = pl.lit(None, dtype=pl.Datetime("us")).alias("known_from")
    versions = superseded.filter(pl.col("source_table") == family.table)
    places = [part.select("row_id", "line", file="file_id") for part in (now, versions)]
    return rows.with_columns(known_from), pl.concat(places)

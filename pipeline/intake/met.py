"""Which rows each correction met: for what is told of a row, and for corrections that meet none."""

from __future__ import annotations

from collections.abc import Collection, Mapping

import polars as pl

from pipeline.intake.corrections import apply_corrections, is_withdrawal
from pipeline.intake.earlier import earlier_rows
from schemas.core import Family
from schemas.families import FAMILIES

_BY_CORRECTION = ("correction", "strike")


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

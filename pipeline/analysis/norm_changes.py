"""What changed in the norms from the week before to the current one."""

from __future__ import annotations

from datetime import date, timedelta

import polars as pl

from schemas.frames import polars_schema
from schemas.tables import TABLES

_SHOWN = ("n_athletes", "mean", "p50")


def norm_changes(norms: pl.DataFrame, populations: pl.DataFrame, as_of: date) -> pl.DataFrame:
    """The table `norm_changes`: a row a group and series that has norms in the week of `as_of` and the one
    before. Groups are the same where their labels are, also where a new season gives them new ids."""
    week = as_of - timedelta(days=as_of.weekday())
    named = norms.join(populations.select("population_id", "label"), on="population_id")
    before = named.filter(pl.col("week") == week - timedelta(days=7)).select(
        "label",
        "series_id",
        previous_version="norms_version",
        **{f"{name}_before": pl.col(name) for name in _SHOWN},
    )
    both = named.filter(pl.col("week") == week).join(before, on=["label", "series_id"])
    changes = {f"{name}_change": pl.col(name) - pl.col(f"{name}_before") for name in _SHOWN}
    schema = polars_schema(TABLES["norm_changes"])
    rows = both.with_columns(**changes).select(pl.col(name).cast(kind) for name, kind in schema.items())
    return rows.sort(TABLES["norm_changes"].key)

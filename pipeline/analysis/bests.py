"""Personal bests: single values, kept apart from level."""

from __future__ import annotations

from collections.abc import Mapping

import polars as pl

from pipeline.analysis.usable import LINE
from pipeline.metrics.rows import as_table
from schemas.catalogue import Metric


def personal_bests(measurements: pl.DataFrame, catalogue: Mapping[str, Metric]) -> pl.DataFrame:
    """The table `personal_bests`: of each athlete's series the best value, and the best before it.

    An equal value later is no new best. Metrics of which no direction is better have none.
    """
    signs = {
        m.metric: 1.0 if m.better == "higher" else -1.0 for m in catalogue.values() if m.better != "context"
    }
    rows = measurements.filter(pl.col("used") & pl.col("metric").is_in(list(signs)))
    rows = rows.with_columns(
        turned=pl.col("value") * pl.col("metric").replace_strict(signs, default=None, return_dtype=pl.Float64)
    ).sort(*LINE, "local_date", "trial", "measurement_id", nulls_last=True)
    so_far = pl.col("turned").cum_max().over(LINE)
    before = so_far.shift(1).over(LINE)
    bests = rows.with_columns(before=before).filter((pl.col("turned") > before).fill_null(True))
    latest = bests.with_columns(previous_value=pl.col("value").shift(1).over(LINE), set_on="local_date")
    return as_table(latest.group_by(LINE, maintain_order=True).last(), "personal_bests")

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
    rows = rows.select(
        *LINE,
        *("local_date", "trial", "measurement_id", "value", "unit"),
        turned=pl.col("value")
        * pl.col("metric").replace_strict(signs, default=None, return_dtype=pl.Float64),
    ).sort(*LINE, "local_date", "trial", "measurement_id", nulls_last=True)
    # A number takes the place of the three texts, which are slow to compare.
    rows = rows.with_columns(line=pl.struct(LINE).rle_id())
    before = pl.col("turned").cum_max().over("line").shift(1).over("line")
    bests = rows.filter((pl.col("turned") > before).fill_null(True))
    latest = bests.with_columns(previous_value=pl.col("value").shift(1).over("line"), set_on="local_date")
    is_last = (pl.col("line") != pl.col("line").shift(-1)).fill_null(True)
    return as_table(latest.filter(is_last), "personal_bests")

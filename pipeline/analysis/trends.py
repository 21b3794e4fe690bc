"""Trends: where an athlete's level was on each test day, as seen now and as it was known then."""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np
import polars as pl

from pipeline.analysis.errors import with_errors
from pipeline.analysis.level_rows import laid_out
from pipeline.analysis.usable import LINE
from pipeline.metrics.rows import as_table
from pipeline.numerics.local_level import Rows
from pipeline.numerics.percentiles import Floats
from pipeline.numerics.two_speeds import mixed_levels
from pipeline.numerics.verdicts import half_width
from schemas.catalogue import Metric
from schemas.frames import empty
from schemas.tables import TABLES


def trends(days: pl.DataFrame, registry: pl.DataFrame, catalogue: Mapping[str, Metric]) -> pl.DataFrame:
    """The table `trends`: a row a test day of an athlete's series after familiarisation.

    `days` as `usable_sessions` gives them; the errors are those of the registry's last week, of the age
    class that the athlete is in by then. A series without a known error has no row: its level can't be told
    from its noise.
    """
    rows = days.filter(~pl.col("first")).sort(*LINE, "local_date")
    rows = rows.with_columns(
        pl.col("age_class").last().over(LINE), week=pl.lit(registry["week"].max(), pl.Date)
    )
    rows = with_errors(rows, registry, catalogue).filter(pl.col("between").is_not_null())
    if rows.is_empty():
        return empty(TABLES["trends"])
    sessions, first, size = laid_out(rows)
    noise = [rows[name].to_numpy()[first] for name in ("between", "within", "drift")]
    found = mixed_levels(sessions, Rows(first, size, *noise))
    degrees = rows["degrees"].to_numpy()
    columns: dict[str, pl.Series] = {}
    for name, level, variance in (
        ("estimate", found.level, found.variance),
        ("estimate_then", found.then, found.then_variance),
    ):
        columns |= _band(name, level, half_width(np.sqrt(variance), degrees), rows["log"].to_numpy())
    units = {name: metric.unit for name, metric in catalogue.items()}
    return as_table(
        rows.with_columns(
            **columns,
            surprise=pl.Series(found.surprise),
            stretch=pl.Series(found.anew.astype(np.int32)).cum_sum(),
            unit=pl.col("metric").replace_strict(units, return_dtype=pl.String),
        ).with_columns(stretch=pl.col("stretch") - pl.col("stretch").first().over(LINE) + 1),
        "trends",
    )


def _band(name: str, level: Floats, half: Floats, log: np.ndarray) -> dict[str, pl.Series]:
    """An estimate with its ends, in the metric's unit."""
    ends = {name: level, f"{name}_low": level - half, f"{name}_high": level + half}
    return {end: pl.Series(np.where(log, np.exp(np.where(log, at, 0.0)), at)) for end, at in ends.items()}

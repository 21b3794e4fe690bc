"""Row rules of bar speed: a repetition needs one of its velocities."""

from __future__ import annotations

import polars as pl

from pipeline.intake.columns import problems_where

FAMILY = "bar_speed"
VELOCITIES = ("mean_velocity_m_s", "propulsive_velocity_m_s", "peak_velocity_m_s")


def check(rows: pl.DataFrame) -> tuple[pl.DataFrame, pl.DataFrame]:
    """Rows as given, and a problem for each repetition of which only the range of motion is known."""
    without = pl.all_horizontal(pl.col(name).is_null() for name in VELOCITIES)
    reason = "The lift '{seen}' has no velocity; it needs a mean, a propulsive or a peak velocity."
    return rows, problems_where(rows, without, "missing_value", VELOCITIES[0], pl.col("lift"), reason)

"""Repetitions that are none: un-racking, walking out, re-racking, half a lift."""

from __future__ import annotations

import polars as pl

SHARE = 0.70
"""A repetition over less than this share of the athlete's own median range is none (methods, failure 45)."""
FEWEST = 6
"""Fewer repetitions of the lift say nothing of a range (judgement)."""
_LIFT = ["athlete_id", "device", "lift", "variant"]


def partial_repetitions(reps: pl.DataFrame) -> pl.DataFrame:
    """Column row_id: rows of `bar_reps` whose range of motion falls short of the athlete's own."""
    known = reps.filter(pl.col("range_of_motion_m").is_not_null())
    own = pl.col("range_of_motion_m").median().over(_LIFT)
    enough = pl.len().over(_LIFT) >= FEWEST
    return known.filter(enough & (pl.col("range_of_motion_m") < SHARE * own)).select("row_id")

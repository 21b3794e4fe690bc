"""A day on which everybody moved the same way: a wet mat, a knocked gate, a device that was set otherwise."""

from __future__ import annotations

import polars as pl

ATHLETES = 4
"""Fewer athletes say nothing of a day (fine print leaves it open; judgement)."""
ERRORS = 4.0
"""So many standard errors the day's median must be away from nothing (judgement)."""
SIZE = 0.75
"""And so many within-athlete SDs, for a tiny shift of many athletes asks nobody to look (judgement)."""
SAME_WAY = 0.75
"""And so large a share of the athletes must have moved that way: one or two alone never make a day."""
_DAY = ["device", "local_date", "series_id"]


def session_shifts(medians: pl.DataFrame, learned: list[str]) -> pl.DataFrame:
    """device, local_date, series_id, athletes, shift [within-athlete SDs], shift_error, of days that moved.

    The shift is the median of the athletes' standardized differences from their own levels, and its standard
    error 1.2533 s / sqrt(n) (of a median of n normal values), s their robust spread, not below one half: a
    median is not moved by one athlete. `medians`: see `levels.session_medians`. First sessions of `learned`
    metrics do not count: people are worse at what is new to them, all on one day.
    """
    first = pl.col("local_date") == pl.col("local_date").min().over("athlete_id", "series_id")
    known = medians.filter(pl.col("z").is_not_null() & ~(first & pl.col("metric").is_in(learned)))
    one_each = known.group_by(*_DAY, "athlete_id").agg(z=pl.col("z").median())
    shift = pl.col("z").median()
    spread = (1.4826 * (pl.col("z") - shift).abs().median()).clip(lower_bound=0.5)
    days = one_each.group_by(_DAY).agg(
        athletes=pl.len(),
        shift=shift,
        shift_error=1.2533 * spread / pl.len().sqrt(),
        same_way=(pl.col("z").sign() == shift.sign()).mean(),
    )
    return days.filter(
        (pl.col("athletes") >= ATHLETES)
        & (pl.col("shift").abs() >= SIZE)
        & (pl.col("shift").abs() > ERRORS * pl.col("shift_error"))
        & (pl.col("same_way") >= SAME_WAY)
    ).sort(_DAY)

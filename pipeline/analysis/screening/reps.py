"""Repetitions that are none (un-racking, half a lift), and sets over another range than usual."""

from __future__ import annotations

import polars as pl

SHARE = 0.70
"""A repetition over less than this share of the athlete's own median range is none (methods, failure 45)."""
FEWEST = 6
"""Fewer repetitions of the lift say nothing of a range (judgement)."""
OTHER = 0.10
"""A set whose range is off the own by more than this share: a sensor askew (methods, failure 44)."""
_LIFT = ["athlete_id", "device", "lift", "variant"]


def partial_repetitions(reps: pl.DataFrame) -> pl.DataFrame:
    """Column row_id: rows of `bar_reps` whose range of motion falls short of the athlete's own."""
    known = reps.filter(pl.col("range_of_motion_m").is_not_null())
    own = pl.col("range_of_motion_m").median().over(_LIFT)
    enough = pl.len().over(_LIFT) >= FEWEST
    return known.filter(enough & (pl.col("range_of_motion_m") < SHARE * own)).select("row_id")


def ranges_changed(reps: pl.DataFrame) -> pl.DataFrame:
    """Column row_id: rows of `bar_reps` of sets whose median range is off the athlete's own.

    The own range is the median of the other days, of at least `FEWEST` repetitions.
    """
    known = reps.filter(pl.col("range_of_motion_m").is_not_null())
    whole = known.join(partial_repetitions(known), on="row_id", how="anti")
    days = whole.select(*_LIFT, "local_date").unique()
    others = days.join(
        whole.select(*_LIFT, day="local_date", way="range_of_motion_m"), on=_LIFT, nulls_equal=True
    ).filter(pl.col("day") != pl.col("local_date"))
    own = others.group_by(*_LIFT, "local_date").agg(own=pl.col("way").median(), n=pl.len())
    a_set = [*_LIFT, "local_date", "session_id", "side", "set"]
    sets = whole.group_by(a_set).agg(pl.col("row_id"), way=pl.col("range_of_motion_m").median())
    beside = sets.join(own.filter(pl.col("n") >= FEWEST), on=[*_LIFT, "local_date"], nulls_equal=True)
    off = (pl.col("way") / pl.col("own") - 1).abs() > OTHER
    return beside.filter(off).select("row_id").explode("row_id")

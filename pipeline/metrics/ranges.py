"""Repetitions that are none (un-racking, half a lift), and sets over another range than usual.

Screening flags both; neither enters a load-velocity line, and what is no repetition enters no velocity loss
(methods, failures 44 and 45).
"""

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
    return _short(_by_lift(reps)).select("row_id")


def ranges_changed(reps: pl.DataFrame) -> pl.DataFrame:
    """Column row_id: rows of `bar_reps` of sets whose median range is off the athlete's own.

    The own range is the median of the other days, of at least `FEWEST` repetitions.
    """
    known = _by_lift(reps)
    whole = known.join(_short(known), on="row_id", how="anti")
    own = _on_other_days(whole)
    a_set = ["own_lift", "local_date", "session_id", "side", "set"]
    sets = whole.group_by(a_set).agg(pl.col("row_id"), way=pl.col("range_of_motion_m").median())
    beside = sets.join(own.filter(pl.col("n") >= FEWEST), on=["own_lift", "local_date"])
    off = (pl.col("way") / pl.col("own") - 1).abs() > OTHER
    return beside.filter(off).select("row_id").explode("row_id")


def with_usual_range(reps: pl.DataFrame) -> pl.DataFrame:
    """Rows of `bar_reps` without partial repetitions and without sets over another range than usual."""
    others = pl.concat([partial_repetitions(reps), ranges_changed(reps)])
    return reps.join(others, on="row_id", how="anti", maintain_order="left")


def _by_lift(reps: pl.DataFrame) -> pl.DataFrame:
    """What is asked of the rows of `bar_reps` that have a range, with `own_lift`, a number a lift of an
    athlete: comparing it takes less than comparing four texts."""
    about = ["row_id", "local_date", "session_id", "side", "set", "range_of_motion_m"]
    known = reps.select(*_LIFT, *about).filter(pl.col("range_of_motion_m").is_not_null())
    lifts = known.select(_LIFT).unique().with_row_index("own_lift")
    return known.join(lifts, on=_LIFT, nulls_equal=True).select("own_lift", *about)


def _short(known: pl.DataFrame) -> pl.DataFrame:
    """Rows of `_by_lift` that fall short."""
    own = pl.col("range_of_motion_m").median().over("own_lift")
    enough = pl.len().over("own_lift") >= FEWEST
    return known.filter(enough & (pl.col("range_of_motion_m") < SHARE * own))


def _on_other_days(reps: pl.DataFrame) -> pl.DataFrame:
    """The median range `own` of each lift on all days but one, that day, and of how many repetitions `n`.

    What is left of a sorted row of ranges, a day's taken out, has its k-th at k and as many places further as
    ranges of the day lie before it: so time is linear in repetitions, not in pairs of days.
    """
    ways = reps.select("own_lift", "local_date", "range_of_motion_m").sort("own_lift", "range_of_motion_m")
    day, place = ["own_lift", "local_date"], pl.int_range(pl.len())
    n = pl.len().over("own_lift") - pl.len().over(day)
    before = place.over("own_lift") - place.over(day)
    ways = ways.with_columns(n=n, first=place - place.over("own_lift"), before=before)
    low, high = (pl.col("n") - 1) // 2, pl.col("n") // 2

    def at(k: pl.Expr) -> pl.Expr:
        return (pl.col("first") + k + (pl.col("before") <= k).sum()).first()

    days = ways.filter(pl.col("n") > 0).group_by(day).agg(pl.col("n").first(), low=at(low), high=at(high))
    way = ways["range_of_motion_m"]
    own = (way.gather(days["low"]) + way.gather(days["high"])) / 2
    return days.select(*day, "n", own=own)

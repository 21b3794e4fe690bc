"""What a session's trials say of trials that are not there, and a mass of the one before."""

from __future__ import annotations

import polars as pl

WEEK, WEEK_SHARE = 7, 0.03
"""A mass over 3 % off the one of at most 7 days before (methods, failure 6) ..."""
MONTH, MONTH_SHARE = 30, 0.07
"""... or over 7 % off the one of at most 30 days before."""
WIDEST_GAP = 3
"""A wider gap in the numbers is blocks that are numbered (1, 2, 3, 11, 12), no deletion (judgement)."""
_SESSION = ["athlete_id", "session_id", "device"]


def trials_missing(numbered: pl.DataFrame) -> pl.DataFrame:
    """Column trial_id: the trial after each gap in an athlete's numbers of a session on a device.

    `numbered`: trial_id, athlete_id, session_id, device, trial (from the export, or counted). A device that
    counts on over people says nothing, so only numbers that begin at 1 or less are looked at.
    """
    trials = numbered.drop_nulls("trial").unique("trial_id").sort(*_SESSION, "trial", "trial_id")
    first, before = pl.col("trial").min().over(_SESSION), pl.col("trial").shift(1).over(_SESSION)
    gone = pl.col("trial") - before - 1
    return trials.filter((first <= 1) & gone.is_between(1, WIDEST_GAP)).select("trial_id")


def masses_jumped(values: pl.DataFrame) -> pl.DataFrame:
    """Column trial_id: body masses too far from the last day's to be true, or to be the same scale's.

    `values`: see `levels.trial_values`. Of two days apart by that much it is the later one that is named, but
    not the one that is back where the day before the odd one was.
    """
    masses = values.filter(pl.col("metric") == "body_mass")
    days = masses.group_by("athlete_id", "local_date").agg(now=pl.col("value").median()).sort(pl.all())

    def before(name: str, steps: int = 1) -> pl.Expr:
        return pl.col(name).shift(steps).over("athlete_id")

    apart = (pl.col("local_date") - before("local_date")).dt.total_days()
    off = (pl.col("now") / before("now") - 1).abs()
    jumped = ((apart <= WEEK) & (off > WEEK_SHARE)) | ((apart <= MONTH) & (off > MONTH_SHARE))
    told = days.with_columns(jumped=jumped.fill_null(False))
    is_back = before("jumped") & ((pl.col("now") / before("now", 2) - 1).abs() <= WEEK_SHARE)
    odd = told.filter(pl.col("jumped") & ~is_back.fill_null(False))
    return masses.join(odd, on=["athlete_id", "local_date"], how="semi").select("trial_id")

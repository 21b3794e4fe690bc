"""Performed maxima: they go before estimated ones, and tell how fast the bar moves at an athlete's own."""

from __future__ import annotations

from collections.abc import Sequence

import polars as pl

from pipeline.metrics.rows import excluded
from pipeline.numerics.repeats import squares_within

HOLDS_DAYS = 84
"""So long a performed maximum holds: 12 weeks (methods, D3)."""
OWN_DAYS = 365
"""So long its velocity is the athlete's own; judgement."""
OWN_SD_M_S = 0.02
"""How far velocities at one athlete's maxima differ (methods, B6); judgement, counted like ..."""
OWN_SD_DEGREES = 10
"""... so many degrees of freedom beside the athlete's own maxima, as published errors are (methods, C4)."""
SAME_LOAD_KG = 0.25
"""A repetition this near to the maximum of the day is the maximum; half the smallest plate."""
MAXIMA = pl.List(pl.Struct({"lift": pl.String, "variant": pl.String, "lifted_on": pl.Date, "kg": pl.Float64}))


def with_maxima(occasions: pl.DataFrame, performed: pl.DataFrame) -> pl.DataFrame:
    """`occasions` with `maxima`: the best of each lift, variant and day, of the year up to the session.

    `performed`: values of `one_rep_max` [kg] as a family module gives them; none makes empty lists.
    """
    days = (
        performed.filter(~excluded(pl.col("flags")) & pl.col("value").is_not_null())
        .group_by("athlete_id", "lift", "variant", lifted_on=pl.col("local_date"))
        .agg(kg=pl.col("value").max())
        .sort("athlete_id", "lifted_on", "lift", "variant")
    )
    ago = (pl.col("session_date") - pl.col("lifted_on")).dt.total_days()
    known = (
        occasions.select("session_id", "athlete_id", "session_date")
        .join(days, on="athlete_id", maintain_order="left_right")
        .filter(ago.is_between(0, OWN_DAYS))
        .group_by("session_id", maintain_order=True)
        .agg(maxima=pl.struct("lift", "variant", "lifted_on", "kg"))
    )
    found = occasions.join(known, on="session_id", how="left", validate="1:1", maintain_order="left")
    return found.with_columns(pl.col("maxima").cast(MAXIMA).fill_null([]))


def maxima_of_lines(counted: pl.DataFrame, occasions: pl.DataFrame, line: Sequence[str]) -> pl.DataFrame:
    """A row a `line` (columns of `counted`, with session, athlete, lift, variant) of which maxima are known.

    `performed_kg`: the last maximum that still holds. `own_m_s`, `own_sd_m_s`, `own_df`, `own_n`: the mean
    velocity of the bar at the athlete's own maxima, by the same device and set-up, with the SD of that
    mean and its degrees of freedom; `own_rows`: the repetitions. NULL where there is none.

    `counted`: repetitions of `bar_reps` that count. `occasions`: as `with_maxima` returns it.
    """
    keys = ["lift", "variant"]
    known = (
        counted.select(line)
        .unique(maintain_order=True)
        .join(_told(occasions), on=["session_id", *keys], nulls_equal=True, maintain_order="left_right")
    )
    holds = (pl.col("session_date") - pl.col("lifted_on")).dt.total_days() <= HOLDS_DAYS
    set_up = [name for name in line if name != "session_id"]
    lifted = _lifted(counted, occasions, set_up)
    seen = known.join(lifted, on=[*set_up, "lifted_on"], how="left", nulls_equal=True, maintain_order="left")
    velocity = pl.col("velocity")
    n = velocity.count()
    return seen.group_by(line, maintain_order=True).agg(
        performed_kg=pl.col("kg").filter(holds).last(),
        own_n=n.cast(pl.Int64),
        own_m_s=velocity.sort().mean(),
        own_df=pl.when(n > 0).then(OWN_SD_DEGREES + n - 1.0),
        own_sd_m_s=pl.when(n > 0).then(_sd_of_mean(squares_within(velocity.drop_nulls()), n)),
        own_rows=pl.col("rows").drop_nulls().explode(empty_as_null=False),
    )


def _told(occasions: pl.DataFrame) -> pl.DataFrame:
    """A row a session and maximum, the latest last."""
    maxima = occasions.select("session_id", "session_date", "maxima").explode("maxima", empty_as_null=False)
    return maxima.unnest("maxima").sort("session_id", "lifted_on")


def _lifted(counted: pl.DataFrame, occasions: pl.DataFrame, set_up: Sequence[str]) -> pl.DataFrame:
    """Mean velocity and rows of the repetitions that were the maximum of their day."""
    today = _told(occasions).filter(pl.col("lifted_on") == pl.col("session_date"))
    single = (pl.col("rep").fill_null(1) == 1) & pl.col("mean_velocity_m_s").is_not_null()
    near = (pl.col("load_kg") - pl.col("kg")).abs() <= SAME_LOAD_KG
    at = counted.filter(single).join(today, on=["session_id", "lift", "variant"], nulls_equal=True)
    return at.filter(near).group_by([*set_up, "lifted_on"]).agg(
        velocity=pl.col("mean_velocity_m_s").sort().mean(), rows=pl.col("row_id").sort()
    )  # fmt: skip


def _sd_of_mean(squares: pl.Expr, n: pl.Expr) -> pl.Expr:
    """SD of the mean of n own velocities, the scatter of theirs blended with what is usual."""
    variance = (OWN_SD_DEGREES * OWN_SD_M_S**2 + squares) / (OWN_SD_DEGREES + n - 1)
    return (variance / n).sqrt()

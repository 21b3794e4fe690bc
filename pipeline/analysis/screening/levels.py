"""Each trial's value beside the athlete's own level, with the spread that is usual for that athlete.

The level of a session is made of the sessions around it and not of itself, so that a wrong session does not
speak for itself. The median withstands one wrong session in three. No other athlete enters: who else is in
the warehouse changes nothing.
"""

from __future__ import annotations

from collections.abc import Mapping

import polars as pl

from pipeline.metrics.rows import excluded, join_codes
from pipeline.numerics.neighbours import medians_around
from schemas.catalogue import Metric

AROUND = 4
"""So many sessions before and so many after make the level of a session (judgement)."""
FEWEST = 3
"""Fewer other sessions of a series say nothing of a level (judgement)."""
PRIOR_FREEDOM = 10
"""The borrowed spread counts like so many degrees of freedom (methods, decision 5: nu0 = 10)."""
DEFAULT_SD = 0.05
"""Spread of a session's value where no error is published for the metric: 5 % (judgement)."""
# Spread of quantities that hardly change from week to week, as a share; judgement, growth and season
# included.
_STEADY = {"body_mass": 0.025, "stature": 0.01}
# Where only the noise of a trial is published, sessions are taken to spread twice as far (judgement).
_SESSIONS_SPREAD = 2.0
OWN_CODES = (
    "gone_at_source",
    "identity_suspect",
    "landing_suspect",
    "mass_jump",
    "partial_repetition",
    "protocol_suspect",
    "range_changed",
    "session_shift",
    "test_suspect",
    "trial_missing",
    "unit_suspect",
)
"""The codes that only screening gives (`warm_up` is the operator's too)."""


def without_own_codes(flags: pl.Expr) -> pl.Expr:
    """Flags as they were before screening, so that screening twice changes nothing."""
    own = pl.lit(list(OWN_CODES), dtype=pl.List(pl.String))
    codes = flags.str.split(";").list.set_difference(own)
    return join_codes(codes.list.join(";"))


def trial_values(
    measurements: pl.DataFrame, trials: pl.DataFrame, catalogue: Mapping[str, Metric]
) -> pl.DataFrame:
    """The values of single trials that count, with what tells whose they are and when they were done.

    `trials`: trial_id, device, performed_at_utc, time_known of every trial. Added: `x`, the value on the
    metric's own scale (its logarithm where errors are proportional), `sd_session` and `sd_trial`, the
    borrowed spread of a session's value and of a trial on that scale. Metrics on the raw scale without a
    published error are left out: nothing says what is far.
    """
    spread = _borrowed(catalogue)
    values = (
        measurements.drop("used", "why_not_used", "standard_error")
        .filter(pl.col("trial_id").is_not_null() & pl.col("value").is_not_null() & ~excluded(pl.col("flags")))
        .join(spread, on="metric")
    )
    positive = values.filter((pl.col("scale") == "raw") | (pl.col("value") > 0))
    x = pl.when(pl.col("scale") == "log").then(pl.col("value").log()).otherwise("value")
    return positive.with_columns(x=x).join(trials, on="trial_id", how="inner", validate="m:1")


def _borrowed(catalogue: Mapping[str, Metric]) -> pl.DataFrame:
    """metric, scale, better, sd_session, sd_trial; no row where nothing is known on the raw scale."""
    rows = []
    for metric in catalogue.values():
        share = 0.01 if metric.scale == "log" else 1.0
        error = metric.typical_error
        trial = error.trial * share if error and error.trial else None
        session = error.session * share if error and error.session else None
        if session is None and trial is not None:
            session = _SESSIONS_SPREAD * trial
        if session is None and metric.scale == "log":
            session = _STEADY.get(metric.metric, DEFAULT_SD)
        if session is not None:
            about = (metric.metric, metric.scale, metric.better)
            rows.append((*about, session, trial if trial is not None else session))
    names = ["metric", "scale", "better", "sd_session", "sd_trial"]
    schema = dict.fromkeys(names[:3], pl.String) | dict.fromkeys(names[3:], pl.Float64)
    return pl.DataFrame(rows, schema=schema, orient="row")


def session_medians(values: pl.DataFrame) -> pl.DataFrame:
    """A row an athlete, series and session: local_date, `m` (median of x), `trials`, with the own level.

    `level`: the median of the sessions around it; NULL where fewer than `FEWEST` other sessions are there.
    `sd`: the spread of this athlete's sessions about it, own and borrowed, by degrees of freedom. `z`: how
    many of them the session is away.
    """
    group = ["athlete_id", "metric", "series_id", "session_id"]
    medians = (
        values.group_by(group)
        .agg(
            pl.col("local_date", "sd_session", "sd_trial", "better", "device").first(),
            m=pl.col("x").median(),
            trials=pl.len(),
        )
        .sort("athlete_id", "series_id", "local_date", "session_id")
    )
    own = ["athlete_id", "series_id"]
    changes = pl.any_horizontal(pl.col(name).ne_missing(pl.col(name).shift(1)) for name in own)
    groups = medians.select(changes.cast(pl.Int64).cum_sum()).to_series().to_numpy()
    level, others = medians_around(medians["m"].to_numpy(), groups, AROUND)
    known = pl.Series(level).fill_nan(None)
    with_level = medians.with_columns(
        level=pl.select(pl.when(pl.Series(others) >= FEWEST).then(known)).to_series()
    )
    return _with_spread(with_level, own)


def _with_spread(medians: pl.DataFrame, own: list[str]) -> pl.DataFrame:
    off = pl.col("m") - pl.col("level")
    robust = 1.4826 * off.abs().median().over(own)  # of the normal distribution: SD = 1.4826 median |x|
    freedom = (off.count().over(own) - 1).clip(lower_bound=0)
    pooled = (PRIOR_FREEDOM * pl.col("sd_session") ** 2 + freedom * robust.fill_null(0.0) ** 2) / (
        PRIOR_FREEDOM + freedom
    )
    return medians.with_columns(sd=pooled.sqrt()).with_columns(z=off / pl.col("sd"))


def beside_level(values: pl.DataFrame, medians: pl.DataFrame) -> pl.DataFrame:
    """Trial values with the level and spread of their session's athlete: level, sd, z (of the trial)."""
    levels = medians.select("athlete_id", "series_id", "session_id", "level", "sd")
    joined = values.join(levels, on=["athlete_id", "series_id", "session_id"], how="left")
    return joined.with_columns(z=(pl.col("x") - pl.col("level")) / pl.col("sd"))


def level_near(medians: pl.DataFrame, asked: pl.DataFrame) -> pl.DataFrame:
    """athlete_id, series_id, local_date with `level`: the median of the `AROUND` sessions nearest to the day.

    Of any athlete on any day, the day's own session included; no row where there is none.
    """
    about = ["athlete_id", "series_id", "local_date"]
    days = medians.select("athlete_id", "series_id", "session_id", "m", on="local_date")
    near = asked.select(about).unique().join(days, on=["athlete_id", "series_id"])
    away = (pl.col("on") - pl.col("local_date")).dt.total_days().abs()
    nearest = near.with_columns(away=away).sort(*about, "away", "session_id")
    return nearest.group_by(about, maintain_order=True).agg(level=pl.col("m").head(AROUND).median())

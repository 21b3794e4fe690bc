"""The reliability registry: how far a metric's values are off, week by week, and what size of change matters.

One row a series, age class and week; what is pooled over series (the catalogue's `pool_keys`) stands in
each of their rows. Own repeats are blended with borrowed figures by their degrees of freedom (methods, C4);
trial and session errors never stand in for each other.
"""

from __future__ import annotations

from collections.abc import Mapping
from datetime import date, timedelta

import numpy as np
import polars as pl
from scipy.special import stdtrit

from pipeline.analysis.one_value import WINDOW_DAYS
from pipeline.analysis.repeats import (
    agreement_of_week,
    learning_of_week,
    levels_of_week,
    lines,
    session_pairs,
    sums_of_week,
    trial_squares,
)
from pipeline.ids import text_ids
from pipeline.metrics.rows import as_table
from pipeline.numerics.icc import MeanSquares, icc_agreement, icc_consistency
from pipeline.numerics.percentiles import Floats
from pipeline.numerics.reliability import (
    Spread,
    as_percent,
    blend,
    error_interval,
    from_percent,
    of_differences,
    smallest_detectable,
    true_spread,
)
from pipeline.numerics.verdicts import LEVEL
from schemas.catalogue import Metric
from schemas.frames import empty
from schemas.tables import TABLES

CLASS_DEGREES = 15.0
"""Degrees of freedom from which youths and adults have an error of their own (methods, C2)."""
OWN_DEGREES = 5.0
"""Degrees of freedom from which own repeats stand alone where nothing is published (judgement)."""
SPREAD_ATHLETES = 8.0
"""Athletes whose spread says what matters (judgement, as for norms)."""
WORTHWHILE_SHARE = 0.2  # of the true SD between athletes: a convention (Hopkins 2004; methods, C2)
ERROR_SHARE = 0.5  # of a session's error, where athletes are too few (judgement)
FEWEST_ICC = 5.0
_RULES = "reliability 1"  # raise it when the same inputs give other numbers, so that reliability_id tells
_GROUP = ("series_id", "pool", "age_class")
_SUMS = ("squares", "sums", "pairs", "runs", "shares", "robust", "trial_squares", "trial_degrees")


def reliability(
    days: pl.DataFrame,
    measurements: pl.DataFrame,
    sexes: pl.DataFrame,
    catalogue: Mapping[str, Metric],
    weeks: list[date],
) -> pl.DataFrame:
    """The table `reliability` without its drift (see `drift`), for every week, of the series seen until then.

    `days` as `usable_sessions` gives them, `sexes` has athlete_id and sex. The order of rows never matters.
    """
    days = days.join(sexes.select("athlete_id", pl.col("sex").fill_null("")), on="athlete_id", how="left")
    pairs, trials = session_pairs(days), trial_squares(measurements, days)
    known = days.group_by("metric", *_GROUP).agg(first_day=pl.col("local_date").min()).sort(_GROUP)
    steady, repeated = lines(days.filter("full", ~pl.col("first"))), lines(pairs.filter("repeat"))
    found = []
    for week in weeks:
        groups = known.filter(pl.col("first_day") <= week + timedelta(days=6)).drop("first_day")
        if groups.height:
            gathered = _gathered(groups, pairs, repeated, trials, steady, week)
            found.append(gathered.with_columns(week=pl.lit(week)))
    if not found:
        return empty(TABLES["reliability"])
    rows = pl.concat(found, how="diagonal_relaxed").join(_published(catalogue), on="metric")
    return as_table(_judged(rows), "reliability")


def _gathered(
    groups: pl.DataFrame,
    pairs: pl.DataFrame,
    repeated: pl.DataFrame,
    trials: pl.DataFrame,
    steady: pl.DataFrame,
    week: date,
) -> pl.DataFrame:
    """All that a week's window says of each group: its own age class, else both together (`all_…`)."""
    own = sums_of_week(pairs, trials, ("pool", "age_class"), week)
    both = sums_of_week(pairs, trials, ("pool",), week)
    levels = levels_of_week(steady, week)
    spread = levels.group_by("pool", "age_class").agg(
        pl.col("differ", "differ_degrees").sort_by("series_id").sum()
    )
    return (
        groups.join(own, on=["pool", "age_class"], how="left")
        .join(both.select("pool", pl.exclude("pool").name.prefix("all_")), on="pool", how="left")
        .join(learning_of_week(pairs, week), on="pool", how="left")
        .join(agreement_of_week(repeated, week), on=["series_id", "age_class"], how="left")
        .join(levels.select("series_id", "age_class", "level"), on=["series_id", "age_class"], how="left")
        .join(spread, on=["pool", "age_class"], how="left")
    )


def _published(catalogue: Mapping[str, Metric]) -> pl.DataFrame:
    """What the catalogue says of a metric's errors, a row a metric; NULL where it says nothing."""
    rows = [
        {
            "metric": metric.metric,
            "log": metric.scale == "log",
            "one_trial": metric.summary == "best",
            "trials": float(metric.min_trials),
            "lent_trial": metric.typical_error.trial if metric.typical_error else None,
            "lent_session": metric.typical_error.session if metric.typical_error else None,
            "lent_origin": metric.typical_error.origin if metric.typical_error else None,
            "coach_worthwhile": metric.smallest_worthwhile,
            "unit": metric.unit,
            "drift": metric.drift,
        }
        for metric in catalogue.values()
    ]
    kinds = {"metric": pl.String, "lent_origin": pl.String, "unit": pl.String, "log": pl.Boolean}
    schema = {name: kinds.get(name, pl.Float64) for name in rows[0]} | {"one_trial": pl.Boolean}
    return pl.DataFrame(rows, schema=schema)


def _judged(rows: pl.DataFrame) -> pl.DataFrame:
    """The numbers of the registry, from sums; errors in per cent where the scale is log, else in the unit."""
    sums = {name: _array(rows, name) for name in (*_SUMS, *(f"all_{name}" for name in _SUMS))}
    log, trials = rows["log"].to_numpy(), _array(rows, "trials")
    lent = {name: _to_scale(_array(rows, f"lent_{name}"), log) for name in ("trial", "session")}
    trial = _choose(_trial_spread(sums, ""), _trial_spread(sums, "all_"))
    in_trial = blend(trial, lent["trial"])
    noise = np.where(rows["one_trial"].to_numpy(), 0.0, np.nan_to_num(in_trial.variance))
    own = _choose(_session_spread(sums, "", noise, trials), _session_spread(sums, "all_", noise, trials))
    alone = np.isnan(lent["session"]) & (own.degrees < OWN_DEGREES)
    blended = blend(own, lent["session"])
    variance = np.where(alone, np.nan, np.maximum(blended.variance, noise / trials))
    session = Spread(variance, np.where(alone, 0.0, blended.degrees))
    pooled = _pooled_class(sums)
    error, (low, high) = np.sqrt(variance), error_interval(session, LEVEL)
    shown = {
        "trial_error": np.sqrt(in_trial.variance),
        "session_error": error,
        "error_low": low,
        "error_high": high,
        "session_error_robust": np.where(pooled, sums["all_robust"], sums["robust"]),
        "mdc95": smallest_detectable(error),
        **_learning(rows),
    }
    columns = {name: _from_scale(value, log) for name, value in shown.items()}
    columns |= _agreement(rows) | {
        "degrees_of_freedom": np.where(session.degrees > 0, session.degrees, np.nan)
    }
    worthwhile, origin = _worthwhile(rows, variance, log)
    frame = rows.with_columns(**{name: _column(value) for name, value in columns.items()}).with_columns(
        smallest_worthwhile=_column(worthwhile),
        worthwhile_origin=pl.Series(origin).replace("", None),
        n_trials="trials",
        n_pairs=_column(np.where(pooled, sums["all_pairs"], sums["pairs"])).fill_null(0).cast(pl.Int32),
        n_athletes=pl.when(pl.Series(pooled)).then("all_n_athletes").otherwise("n_athletes").fill_null(0),
        window_from=pl.col("week").dt.offset_by(f"-{WINDOW_DAYS - 7}d"),
        window_to=pl.col("week").dt.offset_by("6d"),
        error_unit=pl.when("log").then(pl.lit("%")).otherwise("unit"),
        origin=_origin(own.degrees, np.isfinite(lent["session"]), rows["lent_origin"]),
    )
    frame = frame.with_columns(
        cv_percent=_cv(), note=_note(own.degrees, lent["session"], np.sqrt(own.variance))
    )
    return frame.with_columns(reliability_id=_ids(frame))


def _array(rows: pl.DataFrame, name: str) -> Floats:
    return rows[name].cast(pl.Float64).fill_null(np.nan).to_numpy()


def _column(values: Floats) -> pl.Series:
    return pl.Series(np.asarray(values, dtype=np.float64)).fill_nan(None)


def _to_scale(error: Floats, log: np.ndarray) -> Floats:
    """An error as shown (per cent, or the unit) on the analysis scale."""
    return np.where(log, from_percent(error), error)


def _from_scale(error: Floats, log: np.ndarray) -> Floats:
    return np.where(log, as_percent(error), error)


def _trial_spread(sums: Mapping[str, Floats], prefix: str) -> Spread:
    degrees = np.nan_to_num(sums[f"{prefix}trial_degrees"])
    known = degrees > 0
    return Spread(
        np.where(known, sums[f"{prefix}trial_squares"] / np.where(known, degrees, 1.0), np.nan), degrees
    )


def _session_spread(sums: Mapping[str, Floats], prefix: str, noise: Floats, trials: Floats) -> Spread:
    """Error variance of a session of `trials` trials, from pairs of sessions that may have had others."""
    pairs = np.nan_to_num(sums[f"{prefix}pairs"])
    spread = of_differences(
        sums[f"{prefix}squares"], sums[f"{prefix}sums"], pairs, np.nan_to_num(sums[f"{prefix}runs"])
    )
    beyond = np.maximum(spread.variance - noise * sums[f"{prefix}shares"], 0.0)
    return Spread(beyond + noise / trials, spread.degrees)


def _pooled_class(sums: Mapping[str, Floats]) -> np.ndarray:
    own = _session_spread(sums, "", np.zeros(1), np.ones(1))
    return np.asarray(own.degrees < CLASS_DEGREES)


def _choose(own: Spread, both: Spread) -> Spread:
    """The age class's own where it is known well enough, else that of both together."""
    enough = own.degrees >= CLASS_DEGREES
    return Spread(np.where(enough, own.variance, both.variance), np.where(enough, own.degrees, both.degrees))


def _learning(rows: pl.DataFrame) -> dict[str, Floats]:
    """Mean change from the first session to the second with its interval; three athletes at the least."""
    mean, sd, n = (_array(rows, name) for name in ("learned", "learned_sd", "learners"))
    n = np.where(n >= 3, n, np.nan)
    half = stdtrit(n - 1, (1 + LEVEL) / 2) * sd / np.sqrt(n)
    mean = np.where(np.isnan(n), np.nan, mean)
    return {"learning": mean, "learning_low": mean - half, "learning_high": mean + half}


def _agreement(rows: pl.DataFrame) -> dict[str, Floats]:
    n = np.where(_array(rows, "icc_athletes") >= FEWEST_ICC, _array(rows, "icc_athletes"), np.nan)
    squares = MeanSquares(*(_array(rows, name) for name in ("between", "columns", "error")))
    found = {}
    for name, icc in (
        ("icc_consistency", icc_consistency(squares, n, 2, LEVEL)),
        ("icc_agreement", icc_agreement(squares, n, 2, LEVEL)),
    ):
        for end, value in (("", icc.value), ("_low", icc.low), ("_high", icc.high)):
            found[name + end] = np.where(np.isfinite(n) & np.isfinite(value), value, np.nan)
    return found


def _worthwhile(rows: pl.DataFrame, variance: Floats, log: np.ndarray) -> tuple[Floats, np.ndarray]:
    """The smallest worthwhile change, as errors are shown, and whose it is.

    The coach's own, at the group's usual level; else a share of the true SD between athletes of one sex;
    else, where athletes are few or don't differ beyond error, a share of a session's error.
    """
    coach, level = _array(rows, "coach_worthwhile"), _array(rows, "level")
    set_by_coach = np.where(log, 100 * coach / np.exp(np.where(log, level, 0.0)), coach)
    degrees = _array(rows, "differ_degrees")
    observed = np.sqrt(_array(rows, "differ") / np.where(degrees >= SPREAD_ATHLETES - 1, degrees, np.nan))
    spread = _from_scale(WORTHWHILE_SHARE * true_spread(observed, variance), log)
    share = _from_scale(ERROR_SHARE * np.sqrt(variance), log)
    choices = [np.isfinite(set_by_coach), np.isfinite(spread), np.isfinite(share)]
    value = np.select(choices, [set_by_coach, spread, share], default=np.nan)
    return value, np.select(choices, ["coach", "spread", "error"], default="")


def _origin(own: Floats, has_lent: np.ndarray, lent_origin: pl.Series) -> pl.Series:
    facility = (lent_origin == "facility").fill_null(False).to_numpy()
    choices = [(own > 0) & has_lent & ~facility, has_lent & ~facility, has_lent | (own >= OWN_DEGREES)]
    words = np.select(choices, ["blended", "published", "own"], default="")
    return pl.Series(words).replace("", None)


def _cv() -> pl.Expr:
    """The session's error as per cent of the level."""
    return (
        pl.when("log")
        .then("session_error")
        .otherwise(pl.when(pl.col("level") > 0).then(100 * pl.col("session_error") / pl.col("level")))
    )


def _note(degrees: Floats, lent: Floats, own: Floats) -> pl.Expr:
    """What to look into, in a sentence; NULL where there is nothing."""
    with np.errstate(invalid="ignore"):
        beyond = (own > 1.5 * lent) & (degrees >= 10)  # methods, C4
    rough = (pl.col("session_error_robust") / pl.col("session_error") - 1).abs() > 0.3  # methods, C3
    few = pl.lit("A few wild pairs of sessions make up much of the error: look at them.")
    high = pl.lit("The error is more than 1.5 times the published one: look at the set-up of the test.")
    return pl.when(pl.Series(beyond)).then(high).when(rough & (pl.col("n_pairs") >= 10)).then(few)


def _ids(frame: pl.DataFrame) -> pl.Series:
    """Ids that change whenever anything that went into a row does."""
    inputs = (
        "week",
        *_GROUP,
        *_SUMS,
        *(f"all_{name}" for name in _SUMS),
        "learned",
        "learned_sd",
        "learners",
    )
    more = ("icc_athletes", "between", "columns", "error", "level", "differ", "differ_degrees", "trials")
    lent = ("lent_trial", "lent_session", "coach_worthwhile")
    texts = [pl.col(name).cast(pl.String).fill_null("") for name in (*inputs, *more, *lent)]
    return text_ids(frame.select(key=pl.concat_str(pl.lit(_RULES), *texts, separator="|"))["key"])

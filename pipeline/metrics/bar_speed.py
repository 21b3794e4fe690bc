"""Bar speed: velocities at a load, how much velocity a set costs, and lines of velocity on load."""

from __future__ import annotations

import polars as pl

from pipeline.metrics.load_velocity import load_velocity_fits, load_velocity_values
from pipeline.metrics.ranges import partial_repetitions, with_usual_range
from pipeline.metrics.rows import (
    by_occasion,
    codes_of,
    excluded,
    inputs_within,
    join_codes,
    values_of,
    with_codes,
    with_series_keys,
)
from pipeline.numerics.physics import velocity_loss

FAMILY = "bar_speed"
TABLE = "bar_reps"
FIRST_REPS = 3
"""A velocity at a load is that of the first repetitions of a set (methods, B6: the first 2 to 3)."""
_FEWEST = 3  # repetitions of a set that has a loss; judgement
_METRICS = {
    "bar_mean_velocity": "mean_velocity_m_s",
    "bar_propulsive_velocity": "propulsive_velocity_m_s",
    "bar_peak_velocity": "peak_velocity_m_s",
}
_SET = ("lift", "variant", "implement", "implement_count", "load", "accommodating", "side", "set")


def flag(trials: pl.DataFrame) -> pl.DataFrame:
    """`bar_reps` with the codes that a row alone gives: its mark, its intent, a mean above the peak."""
    mean = pl.max_horizontal("mean_velocity_m_s", "propulsive_velocity_m_s")
    own = {
        "not_max_intent": pl.col("intent") == "other",
        "mean_above_peak": mean > pl.col("peak_velocity_m_s"),
    }
    return with_codes(trials, own)


def measure(trials: pl.DataFrame, masses: pl.DataFrame) -> pl.DataFrame:
    """Values of `bar_reps` as `flag` returns them, long: velocities [m/s], velocity loss [%], estimated
    maxima [kg].

    The kinds of velocity are metrics of their own and never merged. `masses`: of it `maxima` (see
    `maxima.with_maxima`).
    """
    rows = _keyed(trials)
    parts = [_velocities(rows), _losses(rows), load_velocity_values(_early(rows), masses)]
    return pl.concat(parts, how="diagonal")


def measure_trials(trials: pl.DataFrame, masses: pl.DataFrame) -> pl.DataFrame:
    """Of the values that `measure` returns those of single repetitions."""
    return _velocities(_keyed(trials))


def _keyed(trials: pl.DataFrame) -> pl.DataFrame:
    return with_series_keys(trials).with_columns(
        pl.col("implement_count").cast(pl.String), trial=pl.col("rep")
    )


def _velocities(rows: pl.DataFrame) -> pl.DataFrame:
    late = pl.when(pl.col("rep") > FIRST_REPS).then(pl.lit("beyond_third_rep"))
    told = rows.with_columns(flags=join_codes(pl.col("flags"), late))
    return pl.concat([values_of(told, metric, pl.col(column)) for metric, column in _METRICS.items()])


def profiles(trials: pl.DataFrame, masses: pl.DataFrame) -> pl.DataFrame:
    """The load-velocity lines of `bar_reps` as `flag` returns them, as fits. `masses`: as for `measure`."""
    return load_velocity_fits(_early(_keyed(trials)), masses)


def _early(rows: pl.DataFrame) -> pl.DataFrame:
    """The first repetitions of each set that count and go over the athlete's usual range."""
    early = pl.col("rep").is_null() | (pl.col("rep") <= FIRST_REPS)
    return with_usual_range(rows).filter(early & ~excluded(pl.col("flags")))


def _losses(rows: pl.DataFrame) -> pl.DataFrame:
    """The loss of each set, by mean velocity: from the fastest of its first repetitions to its last.

    A set is told by its number; one with too few repetitions that count, without one of the first, or with a
    number twice (two sets called the same in one session) has none. Un-racking and half a lift do not count.
    """
    rep, speed = pl.col("rep"), pl.col("mean_velocity_m_s")
    whole = rows.join(partial_repetitions(rows), on="row_id", how="anti", maintain_order="left")
    counted = whole.filter(~excluded(pl.col("flags")) & speed.is_not_null() & pl.col("set").is_not_null())
    first = rep <= FIRST_REPS
    fastest = (speed == speed.filter(first).max()) & first
    role = pl.when(rep == rep.max()).then(pl.lit("last")).when(fastest).then(pl.lit("fastest"))
    sets = by_occasion(
        counted,
        _SET,
        reps=pl.len(),
        told=rep.n_unique(),
        fastest_m_s=speed.filter(first).max(),
        last_m_s=speed.sort_by("rep").last(),
        flags=codes_of(pl.col("flags")),
        inputs=inputs_within(TABLE, role.otherwise(pl.lit("repetition"))),
    ).filter((pl.col("reps") >= _FEWEST) & (pl.col("reps") == pl.col("told")))
    loss = velocity_loss(pl.col("last_m_s"), pl.col("fastest_m_s"))
    return values_of(sets.with_columns(trial=pl.col("set")), "velocity_loss", loss, pl.col("inputs"))

"""Load-velocity lines of lifts: velocity at round loads between those lifted, and the estimated maximum."""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np
import polars as pl

from pipeline.metrics.fits import fit_value, fits_of, sentence
from pipeline.metrics.maxima import maxima_of_lines
from pipeline.metrics.rows import by_occasion, codes_of, inputs_within, join_codes, thousandths, values_of
from pipeline.numerics.lines import Floats, Ints, fit_lines, pooled_variance
from pipeline.numerics.one_rep_max import NEVER_VALID, borrowed_velocity, load_at_velocity

TABLE = "bar_reps"
ATTEMPTED = 3
"""From so many loads on a line was meant; with fewer nothing is said."""
FEWEST_LOADS = 4
LEAST_SPREAD_M_S = 0.4
"""So far apart must the fastest and the slowest load be (methods, B6)."""
NEAR_MAXIMUM_M_S = 0.35
"""The heaviest load must be this near to the velocity at the maximum, about 75 to 80 % (methods, B6)."""
MOST_SCATTER = 0.08
"""So far may loads scatter about the line, as a share of the heaviest; judgement."""
ROUND_KG = 20.0
"""Velocities are told at multiples of this within the loads lifted; judgement."""
KINDS: Mapping[str, str] = {
    "mean": "mean_velocity_m_s",
    "propulsive": "propulsive_velocity_m_s",
    "peak": "peak_velocity_m_s",
}
_LIFT = ("lift", "variant", "implement", "implement_count", "accommodating", "side")
_LINE = ["session_id", "athlete_id", "device", "method_version", *_LIFT]


def load_velocity_values(counted: pl.DataFrame, occasions: pl.DataFrame) -> pl.DataFrame:
    """Velocities at round loads [m/s] and estimated maxima [kg], each with its standard error.

    `counted`: the repetitions of `bar_reps` that count, at full intent and early in their set, with series
    keys. `occasions`: with `maxima` (see `maxima.with_maxima`). By mean velocity: velocities at the maximum
    are known for no other kind.
    """
    lines = load_velocity_lines(counted, KINDS["mean"], occasions)
    own = pl.struct(source_table=pl.lit(TABLE), row_id=pl.element(), role=pl.lit("own_maximum"))
    why = pl.coalesce("why", "maximum_why")
    estimates = values_of(
        lines,
        "one_rep_max_estimate",
        pl.when(why.is_null()).then("maximum_kg"),
        pl.concat_list("inputs", pl.col("own_rows").fill_null([]).list.eval(own)),
        join_codes(pl.col("flags"), why),
        keep_empty=True,
        error=pl.col("maximum_sd_kg"),
    )
    return pl.concat([estimates, _at_round_loads(lines.filter(pl.col("why").is_null()))], how="diagonal")


def load_velocity_fits(counted: pl.DataFrame, occasions: pl.DataFrame) -> pl.DataFrame:
    """The lines of every kind of velocity as fits of the kinds `load_velocity_mean` and so on.

    Where a performed maximum holds, it stands in place of the estimate, as `one_rep_max_performed`.
    """
    fits = []
    for kind, column in KINDS.items():
        lines = load_velocity_lines(counted, column, occasions)
        told = lines.with_columns(n="loads", why_not=sentence(pl.col("why")))
        values = [
            fit_value("velocity_without_load", "m/s", pl.col("intercept"), pl.col("intercept_se")),
            fit_value("slope", "m/s/kg", pl.col("slope"), pl.col("slope_se")),
            fit_value("lightest_load", "kg", pl.col("lightest_kg")),
            fit_value("heaviest_load", "kg", pl.col("heaviest_kg")),
            *(_maximum_values() if kind == "mean" else ()),
        ]
        fits.append(fits_of(told, f"load_velocity_{kind}", "one_rep_max_estimate", "m/s", values))
    return pl.concat(fits)


def _maximum_values() -> list[pl.Expr]:
    """The estimate with the ends of its 90 % prediction interval, and that for long-trained lifters."""

    def shown(name: str) -> pl.Expr:
        return pl.when(pl.col("maximum_why").is_null()).then(name)

    return [
        fit_value("one_rep_max", "kg", shown("maximum_kg"), pl.col("maximum_sd_kg")),
        fit_value("one_rep_max_low", "kg", shown("maximum_low_kg")),
        fit_value("one_rep_max_high", "kg", shown("maximum_high_kg")),
        fit_value("one_rep_max_if_long_trained", "kg", shown("trained_kg")),
        fit_value("one_rep_max_performed", "kg", pl.col("performed_kg")),
        fit_value("velocity_at_maximum", "m/s", shown("at_maximum_m_s"), shown("at_maximum_sd_m_s")),
        fit_value(
            "own_maxima", "1", pl.when(pl.col("maximum_why").is_null()).then(pl.col("own_n").fill_null(0))
        ),
    ]


def load_velocity_lines(counted: pl.DataFrame, column: str, occasions: pl.DataFrame) -> pl.DataFrame:
    """One row a line of an occasion and lift, by the velocity `column` [m/s] of `counted`.

    `intercept`, `slope` of velocity on load with `_se`, their residual `variance` pooled over everybody's
    lines of the lift, `residual_sd`; the estimated maximum (see `load_at_velocity`) by the velocity of the
    bar at the athlete's own maxima, else by that borrowed from studies; `why` a line and `maximum_why` an
    estimate is refused, as codes.
    """
    points = _points(counted, column)
    groups = points.select(pl.struct(_LINE).rank("dense").cast(pl.Int64) - 1).to_series().to_numpy()
    load, velocity = points["load_kg"].to_numpy(), points["velocity"].to_numpy()
    lines = points.group_by(_LINE).agg(
        pl.exclude("inputs", "flags", "velocity", "load_kg").first(),
        loads=pl.len(),
        lightest_kg=pl.col("load_kg").min(),
        heaviest_kg=pl.col("load_kg").max(),
        slowest_m_s=pl.col("velocity").min(),
        spread_m_s=pl.col("velocity").max() - pl.col("velocity").min(),
        flags=codes_of(pl.col("flags")),
        inputs=pl.col("inputs").explode(),
    ).sort(pl.struct(_LINE))  # fmt: skip
    known = maxima_of_lines(counted, occasions, _LINE)
    lines = lines.join(known, on=_LINE, how="left", nulls_equal=True, maintain_order="left")
    pools = lines.select(pl.struct("lift", "variant").rank("dense").cast(pl.Int64) - 1).to_series().to_numpy()
    numbers = _line_numbers(load, velocity, groups, pools) | _maxima(lines, load, velocity, groups, pools)
    series = [pl.Series(name, values, dtype=pl.Float64).fill_nan(None) for name, values in numbers.items()]
    return _judged(lines.with_columns(series))


def _points(counted: pl.DataFrame, column: str) -> pl.DataFrame:
    """The mean velocity at each load of each occasion and lift with enough loads, in the order of lines."""
    known = counted.filter(pl.col(column).is_not_null())
    points = by_occasion(
        known,
        [*_LIFT, "load_kg"],
        velocity=pl.col(column).sort().mean(),
        flags=codes_of(pl.col("flags")),
        inputs=inputs_within(TABLE, pl.col("load")),
    )
    enough = points.filter(pl.len().over(_LINE) >= ATTEMPTED)
    return enough.sort(pl.struct(_LINE), "load_kg")


def _line_numbers(load: Floats, velocity: Floats, groups: Ints, pools: Ints) -> dict[str, Floats]:
    """Velocity on load: what the lines are, with errors from the pooled variance."""
    lines = fit_lines(load, velocity, groups)
    variance, _ = pooled_variance(lines.residual_ss, lines.df, pools)
    return {
        "slope": lines.slope,
        "intercept": lines.intercept,
        "slope_se": np.sqrt(variance / lines.sxx),
        "intercept_se": np.sqrt(lines.variance_at(0.0, variance)),
        "residual_sd": lines.residual_sd,
        "variance": variance,
        "load_mean": lines.x_mean,
        "load_squares": lines.sxx,
    }


def _maxima(
    about: pl.DataFrame, load: Floats, velocity: Floats, groups: Ints, pools: Ints
) -> dict[str, Floats]:
    """Load on velocity: the estimated maximum of each line, NaN where the lift's velocity is not known."""
    lines = fit_lines(velocity, load, groups)
    variance, df = pooled_variance(lines.residual_ss, lines.df, pools)
    borrowed = np.array([borrowed_velocity(lift) for lift in about["lift"]]).reshape(-1, 3)
    own = about.select(
        pl.col("own_m_s", "own_sd_m_s", "own_df").cast(pl.Float64).fill_null(np.nan)
    ).to_numpy()
    at, sd, at_df = np.where(np.isfinite(own[:, :1]), own, borrowed[:, [0, 1, 1]]).T
    at_df = np.where(np.isfinite(own[:, 0]), at_df, np.inf)
    trained = np.where(np.isfinite(own[:, 0]), np.nan, borrowed[:, 2])
    estimate = load_at_velocity(lines, at, sd, variance, df, at_df)
    return {
        "at_maximum_m_s": at,
        "at_maximum_sd_m_s": sd,
        "load_scatter_kg": lines.residual_sd,
        "maximum_kg": estimate.load_kg,
        "maximum_sd_kg": estimate.sd_kg,
        "maximum_low_kg": estimate.low_kg,
        "maximum_high_kg": estimate.high_kg,
        "trained_kg": lines.at(trained),
    }


def _judged(lines: pl.DataFrame) -> pl.DataFrame:
    """Lines with `why` and `maximum_why`."""
    few = (pl.col("loads") < FEWEST_LOADS) | (pl.col("spread_m_s") < LEAST_SPREAD_M_S)
    scattered = pl.col("load_scatter_kg") > MOST_SCATTER * pl.col("heaviest_kg")
    far = pl.col("slowest_m_s") > pl.col("at_maximum_m_s") + NEAR_MAXIMUM_M_S
    unknown = pl.col("at_maximum_m_s").is_null() | pl.col("lift").str.contains(NEVER_VALID)
    return lines.with_columns(
        why=pl.when(few)
        .then(pl.lit("few_loads"))
        .when((pl.col("slope") < 0).fill_null(False).not_())
        .then(pl.lit("line_not_falling"))
        .when(scattered)
        .then(pl.lit("points_off_line")),
        maximum_why=pl.when(pl.col("performed_kg").is_not_null())
        .then(pl.lit("maximum_performed"))
        .when(unknown)
        .then(pl.lit("velocity_at_maximum_unknown"))
        .when(far)
        .then(pl.lit("far_from_maximum")),
    )


def _at_round_loads(good: pl.DataFrame) -> pl.DataFrame:
    """The velocity of each line at the round loads within its own: interpolation only.

    Loads are compared as whole grams, as in series: those written in pounds end a hair beside.
    """
    first = (pl.col("lightest_kg").round(3) / ROUND_KG).ceil().cast(pl.Int64).clip(1)
    last = (pl.col("heaviest_kg").round(3) / ROUND_KG).floor().cast(pl.Int64)
    at = good.with_columns(step=pl.int_ranges(first, last + 1)).explode("step", empty_as_null=False)
    at = at.with_columns(at_kg=pl.col("step") * ROUND_KG).with_columns(
        load=thousandths(pl.col("at_kg"), "kg"),
        row_id=pl.concat_str("row_id", pl.col("step").cast(pl.String), separator="\x1f"),
    )
    apart = pl.col("at_kg") - pl.col("load_mean")
    variance = pl.col("variance") * (1 / pl.col("loads") + apart**2 / pl.col("load_squares"))
    velocity = pl.col("intercept") + pl.col("slope") * pl.col("at_kg")
    return values_of(
        at, "bar_velocity_at_load", velocity, pl.col("inputs"), pl.col("flags"), error=variance.sqrt()
    )

"""Plateau velocity against load over the runs of an occasion: the load for a loss of velocity, and F0 and V0.

A measured force, a force that was only set, and a sled's mass are three bases, each with lines of its own;
none is ever turned into another. Velocity carries the error, so velocity is regressed on load.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
import polars as pl

from pipeline.metrics.fits import first_reason, fit_value, fits_of
from pipeline.metrics.rows import by_occasion, codes_of, excluded, inputs_within, join_codes, values_of
from pipeline.metrics.sprint_model import drag_of, force_values
from pipeline.numerics.lines import Lines, fieller_interval, fit_lines, pooled_variance, t_quantile

Floats = npt.NDArray[np.float64]

TABLE = "resisted_runs"
DECREMENTS = (10, 25, 50)
"""Losses of velocity that a load is given for [%]; 10 light, 50 near the top of power (methods, D4)."""
LEVEL = 0.90
FEWEST_LOADS = 3
LEAST_SPREAD = 0.30
"""Loss of velocity from the lightest to the heaviest load, as a share of the unloaded (methods, B5)."""
LIGHTEST_LOSS = 0.10
"""The lightest load may cost no more than this, else the unloaded velocity is a guess; judgement."""
WIDEST_SCATTER = 0.04
"""SD of velocities about the line as a share of the unloaded velocity; judgement (methods, corrections 9)."""
UNLOADED_APART = 0.05
"""A run without load may be so far from the line's height at no load, as a share (methods, B5)."""

_BASES = (
    ("measured force", "plateau_force", "N"),
    ("set force", "resistance_n", "N"),
    ("sled mass", "sled_mass_kg", "kg"),
)
_OCCASION = ("pull", "surface", "start_offset", "load_basis")
_LINE = ["session_id", "device", "method_version", *_OCCASION]
_KNOWN = pl.col("why_not").is_null()


def load_lines(runs: pl.DataFrame, masses: pl.DataFrame) -> pl.DataFrame:
    """One row an occasion, set-up and basis: the line of plateau velocity [m/s] on load [N, or kg of sled].

    `runs`: `resisted_runs` with series keys, `trace_numbers` and `reached`, whether the plateau was. Columns:
    v0, slope with errors; `load_10` ... with error and the ends of its 90 % interval (Fieller), NULL outside
    the loads that were run; f0, v0_force, pmax with errors, where force was measured and mass is known.
    The scatter about lines is pooled over the lines of a device, method version and basis.
    `why_not` says in a sentence why a line is refused; its numbers are then NULL.
    """
    occasions = _occasions(runs).join(
        masses, on="session_id", how="left", validate="m:1", maintain_order="left"
    )
    numbers = pl.DataFrame({"row_id": occasions["row_id"], **_numbers(occasions)}).fill_nan(None)
    lines = occasions.join(numbers, on="row_id", how="left", maintain_order="left")
    apart = (pl.col("unloaded") / pl.col("v0") - 1).abs() > UNLOADED_APART
    differs = pl.when(apart).then(pl.lit("unloaded_differs"))
    lines = lines.with_columns(why_not=_refused(), flags=join_codes(pl.col("flags"), differs))
    return lines.with_columns(pl.when(_KNOWN).then(pl.col(n)).alias(n) for n in numbers.columns[1:])


def line_values(lines: pl.DataFrame) -> pl.DataFrame:
    """Values of accepted lines of `load_lines`: loads for a loss of velocity, F0, V0 and Pmax."""
    accepted = lines.filter(_KNOWN).with_columns(test=pl.lit("multi_load"))
    unloaded = "resisted_unloaded_velocity"
    parts = [values_of(accepted, unloaded, pl.col("v0"), pl.col("inputs"), error=pl.col("v0_error"))]
    for decrement in DECREMENTS:
        value, error = pl.col(f"load_{decrement}"), pl.col(f"load_{decrement}_error")
        told = accepted.with_columns(
            decrement=pl.lit(f"{decrement} %"), row_id=pl.format("{}|{}", "row_id", pl.lit(decrement))
        )
        sled = pl.col("load_basis") == "sled mass"
        for metric, rows in (("load", told.filter(~sled)), ("sled_mass", told.filter(sled))):
            named = f"velocity_decrement_{metric}"
            parts.append(values_of(rows, named, value, pl.col("inputs"), error=error))
    of_force = accepted.with_columns(v0="v0_force", v0_error="v0_force_error")
    parts.append(force_values(of_force, ("f0", "v0", "pmax")))
    return pl.concat(parts, how="diagonal")


def line_profiles(lines: pl.DataFrame) -> pl.DataFrame:
    """The lines of `load_lines` as fits: resisted_load_velocity, resisted_force_velocity of those with F0."""
    forces = [
        fit_value(name, unit, pl.col(column), pl.col(f"{column}_error"))
        for name, column, unit in (("f0", "f0", "N/kg"), ("v0", "v0_force", "m/s"), ("pmax", "pmax", "W/kg"))
    ]
    weighed = lines.filter(pl.col("f0").is_not_null()).with_columns(test=pl.lit("multi_load"))
    parts = [fits_of(weighed, "resisted_force_velocity", "sprint_f0", "m/s", forces)]
    for unit in ("N", "kg"):
        rows = lines.filter((pl.col("load_basis") == "sled mass") == (unit == "kg"))
        named = "resisted_load_velocity", "resisted_unloaded_velocity"
        parts.append(fits_of(rows, *named, "m/s", _line_values(unit)))
    return pl.concat(parts, how="diagonal")


def _line_values(unit: str) -> list[pl.Expr]:
    loads = [(f"load_{d}{end}", unit) for d in DECREMENTS for end in ("", "_low", "_high")]
    return [
        fit_value("v0", "m/s", pl.col("v0"), pl.col("v0_error")),
        fit_value("slope", f"(m/s)/{unit}", pl.col("slope"), pl.col("slope_error")),
        *(
            fit_value(name, of, pl.col(name), pl.col(f"{name}_error") if name[-1].isdigit() else None)
            for name, of in loads
        ),
        fit_value("degrees_of_freedom", "1", pl.col("degrees_of_freedom")),
    ]


def _occasions(runs: pl.DataFrame) -> pl.DataFrame:
    """An occasion, set-up and basis a row: loads and velocities of the runs that are points, as lists.

    A run that did not reach its plateau is no point.
    """
    counted = runs.filter(
        ~excluded(pl.col("flags")) & pl.col("pull").ne_missing("assisted") & pl.col("plateau").is_not_null()
    )
    points = pl.concat(
        counted.with_columns(load_basis=pl.lit(basis), point=pl.col(column)) for basis, column, _ in _BASES
    ).filter(pl.col("point").is_not_null())
    reached = pl.col("reached")
    free = (pl.col("resistance_n") == 0) | (pl.col("sled_mass_kg") == 0)
    set_up = pl.struct("resistance", "resistance_setting", "sled_mass")
    return by_occasion(
        points,
        _OCCASION,
        n=reached.sum().cast(pl.Int64),
        # What ran free tells what the line only draws on to.
        unloaded=pl.col("plateau").filter(reached & free).sort().mean(),
        n_loads=set_up.filter(reached).n_unique().cast(pl.Int64),
        loads=pl.col("point").filter(reached),
        velocities=pl.col("plateau").filter(reached),
        flags=codes_of(pl.col("flags").filter(reached)),
        inputs=inputs_within(TABLE, pl.lit("run")).filter(reached),
    ).sort("row_id")


def _refused() -> pl.Expr:
    return first_reason(
        [
            (
                pl.col("n_loads") < FEWEST_LOADS,
                pl.format(
                    "Runs at {} different loads reached their plateau; {} are needed.",
                    "n_loads",
                    pl.lit(FEWEST_LOADS),
                ),
            ),
            ((pl.col("slope") >= 0) | pl.col("slope").is_null(), "Velocity does not fall with load."),
            (
                pl.col("spread") < LEAST_SPREAD,
                pl.format(
                    "From the lightest to the heaviest load velocity falls by {} % only; "
                    f"{100 * LEAST_SPREAD:g} % are needed.",
                    (100 * pl.col("spread")).round(0).cast(pl.Int32),
                ),
            ),
            (
                pl.col("lightest_loss") > LIGHTEST_LOSS,
                f"The lightest load costs more than {100 * LIGHTEST_LOSS:g} % of velocity, so the unloaded "
                "velocity is a guess.",
            ),
            (
                pl.col("residual_sd") > WIDEST_SCATTER * pl.col("v0"),
                f"Velocities lie too far off the line: more than {100 * WIDEST_SCATTER:g} % of the unloaded.",
            ),
        ]
    )


def _numbers(occasions: pl.DataFrame) -> dict[str, npt.NDArray[np.generic]]:
    """What the lines give, by column; NaN where there is no number."""
    n = occasions["n"].to_numpy()
    groups = np.repeat(np.arange(n.size), n)
    load = _flat(occasions["loads"])
    velocity = _flat(occasions["velocities"])
    pool = pl.concat_str("device", pl.col("method_version").fill_null(""), "load_basis", separator="\x1f")
    pools = occasions.select(pool.rank("dense").cast(pl.Int64) - 1).to_series().to_numpy()
    lines = fit_lines(load, velocity, groups, n.size)
    _, freedom = pooled_variance(lines.residual_ss, lines.df, pools)
    lightest, heaviest = (_ends(load, groups, n.size, end) for end in (np.fmin, np.fmax))
    v0, v0_variance, slope_variance, covariance = _errors(lines, load, groups, pools)
    numbers: dict[str, npt.NDArray[np.generic]] = {
        "v0": v0,
        "v0_error": np.sqrt(v0_variance),
        "slope": lines.slope,
        "slope_error": np.sqrt(slope_variance),
        "residual_sd": lines.residual_sd,
        "degrees_of_freedom": freedom,
        "spread": -lines.slope * (heaviest - lightest) / v0,
        "lightest_loss": -lines.slope * lightest / v0,
    }
    t = t_quantile(freedom, LEVEL)
    for decrement in DECREMENTS:
        share = decrement / 100
        estimate, error = _ratio(
            share * v0, -lines.slope, share**2 * v0_variance, slope_variance, -share * covariance
        )
        low, high = fieller_interval(
            share * v0, -lines.slope, share**2 * v0_variance, slope_variance, -share * covariance, t
        )
        run = (estimate >= lightest) & (estimate <= heaviest) & np.isfinite(low)
        for name, values in (("", estimate), ("_error", error), ("_low", low), ("_high", high)):
            numbers[f"load_{decrement}{name}"] = np.where(run, values, np.nan)
    return numbers | _forces(occasions, load, velocity, groups, pools)


def _forces(
    occasions: pl.DataFrame,
    load: Floats,
    velocity: Floats,
    groups: npt.NDArray[np.int64],
    pools: npt.NDArray[np.int64],
) -> dict[str, npt.NDArray[np.generic]]:
    """F0 [N/kg], V0 [m/s], Pmax [W/kg] of the line of plateau velocity on (line force + k v²) / m.

    At the plateau nothing accelerates, so the force on the ground is that of the line and the air.
    """
    measured = (occasions["load_basis"] == "measured force").to_numpy()
    mass = occasions["body_mass_kg"].cast(pl.Float64).fill_null(float("nan")).to_numpy()
    force = (load + drag_of(occasions)[groups] * velocity**2) / mass[groups]
    lines = fit_lines(force, velocity, groups, mass.size)
    v0, v0_variance, slope_variance, covariance = _errors(lines, force, groups, pools)
    f0, f0_error = _ratio(v0, -lines.slope, v0_variance, slope_variance, -covariance)
    # Pmax = v0² / (4 (-slope)): its derivatives by v0 and by the slope.
    by_v0, by_slope = f0 / 2, v0**2 / (4 * lines.slope**2)
    power_variance = by_v0**2 * v0_variance + by_slope**2 * slope_variance + 2 * by_v0 * by_slope * covariance
    numbers = {
        "f0": f0,
        "f0_error": f0_error,
        "v0_force": v0,
        "v0_force_error": np.sqrt(v0_variance),
        "pmax": f0 * v0 / 4,
        "pmax_error": np.sqrt(power_variance),
    }
    return {name: np.where(measured, values, np.nan) for name, values in numbers.items()}


def _errors(
    lines: Lines, load: Floats, groups: npt.NDArray[np.int64], pools: npt.NDArray[np.int64]
) -> tuple[Floats, Floats, Floats, Floats]:
    """Height at no load, its variance, that of the slope, and their covariance.

    Plateau velocities are off by a share of themselves, so fast points scatter more than slow ones, and plain
    errors of the line held the truth at no load in 86 % of simulated occasions where they should in 95 %. The
    share's variance is pooled; the estimates are still those of plain least squares.
    """
    k = lines.n.size
    with np.errstate(divide="ignore", invalid="ignore"):
        apart = load - lines.x_mean[groups]
        by_slope = apart / lines.sxx[groups]
        by_height = 1 / lines.n[groups] - lines.x_mean[groups] * by_slope
        squared = lines.at(0.0)[groups] + lines.slope[groups] * load
        squared = squared**2
        left = 1 - 1 / lines.n[groups] - apart * by_slope

    def total(values: Floats) -> Floats:
        return np.bincount(groups, weights=values, minlength=k).astype(np.float64, copy=False)

    with np.errstate(divide="ignore", invalid="ignore"):
        typical = total(left * squared) / lines.df
        share, _ = pooled_variance(lines.residual_ss / typical, lines.df, pools)
    return (
        lines.intercept,
        share * total(by_height**2 * squared),
        share * total(by_slope**2 * squared),
        share * total(by_height * by_slope * squared),
    )


def _ratio(
    top: Floats, bottom: Floats, top_variance: Floats, bottom_variance: Floats, covariance: Floats
) -> tuple[Floats, Floats]:
    """A ratio and its standard error (delta method)."""
    with np.errstate(divide="ignore", invalid="ignore"):
        ratio = top / bottom
        variance = (top_variance - 2 * ratio * covariance + ratio**2 * bottom_variance) / bottom**2
    return ratio, np.sqrt(np.maximum(variance, 0.0))  # rounding may leave less than nothing


def _flat(lists: pl.Series) -> Floats:
    """The values of all lists, one after the other; an empty list has none."""
    return lists.explode(empty_as_null=False).cast(pl.Float64).to_numpy()


def _ends(values: Floats, groups: npt.NDArray[np.int64], k: int, end: np.ufunc) -> Floats:
    """The least or greatest value of each group."""
    found = np.full(k, np.nan)
    end.at(found, groups, values)
    return found

"""The sprint model fitted to every straight run: what it gives, and which runs it refuses.

Runs come from gates, and with a measured line force from traces (see `resisted_forces`).
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import polars as pl

from pipeline.metrics.fits import first_reason, fit_value, fits_of
from pipeline.metrics.rows import codes_of, excluded, inputs_within, join_codes, values_of
from pipeline.numerics.lines import pooled_variance
from pipeline.numerics.sprint import SprintFits, fit_splits, share_of_top_speed
from pipeline.numerics.sprint_forces import (
    STATURE_M,
    Surroundings,
    drag_constant,
    force_errors,
    sprint_forces,
)

Floats = npt.NDArray[np.float64]

TABLE = "sprint_splits"
FEWEST_GATES = 4
"""Two numbers from fewer gates have hardly an error left to judge them by (methods, B4)."""
FIRST_GATE_M = 10.0
"""Without a gate this near, little tells acceleration from top speed (methods, B4)."""
TOP_SPEED_SHARE = 0.95
"""Slower than this at the last gate, the maximum is a guess (methods, corrections 3)."""
WIDEST_ERROR = 0.03
"""Standard error of the maximum as a share of it; judgement."""


@dataclass(frozen=True)
class Way:
    """How runs are fitted: `fit` of distances past the first gate [m], times [s], the start's distance behind
    it [m], and which are used; and how far the points may scatter (root mean square) [`unit`]; `end`: what
    the last point is called."""

    fit: Callable[[Floats, Floats, Floats, npt.NDArray[np.bool_]], SprintFits]
    widest: float
    unit: str
    end: str


BY_GATES = Way(fit_splits, 0.03, "s", "the last gate")
"""Times of gates; 0.03 s: methods, B4."""

# Column of `fitted_sprints` (its error has `_error` behind it), metric, unit.
_SPEEDS = (("vmax", "sprint_vmax", "m/s"), ("tau", "sprint_tau", "s"))
_FORCES = (
    ("f0", "sprint_f0", "N/kg"),
    ("v0", "sprint_v0", "m/s"),
    ("pmax", "sprint_pmax", "W/kg"),
    ("rf_max", "sprint_rf_max", "%"),
    ("drf", "sprint_drf", "%/(m/s)"),
)
_TOLD = (("share_of_vmax", "1"), ("degrees_of_freedom", "1"), ("body_mass_kg", "kg"))
_KNOWN = pl.col("why_not").is_null()


def fitted_sprints(gates: pl.DataFrame, masses: pl.DataFrame) -> pl.DataFrame:
    """One row a straight run, as `fitted_runs` gives it.

    `gates`: the `sprint_splits` of straight runs as `timing_gates.flag` returns them, with series keys and
    `good`: whether a gate's time can be right. `masses`: as for `measure`.
    """
    return fitted_runs(_runs(gates).with_columns(why_not=pl.lit(None, pl.String)), masses)


def fitted_runs(runs: pl.DataFrame, masses: pl.DataFrame, way: Way = BY_GATES) -> pl.DataFrame:
    """One row a run, sorted by trial_id, with V [m/s], tau [s] and their errors, forces and theirs.

    `runs`: a row a run with `distances_m`, `splits_s` (lists), `n` of them, start, start_offset_m, timing,
    wind_m_s, flags, and `why_not` where it is refused already; where a line held it back, `line_n` [N] and
    `line_n_s_m` [N s/m] (see `Surroundings`). `masses`: see `occasions`. `why_not` says in a sentence why a
    run is refused; its numbers are then NULL. The noise of a time is pooled over the runs of a device and
    method version. Without a body mass there are V and tau only. Errors are those of timing: mass, air,
    wind (none where it is not known), line and the place of the start count as known.
    """
    runs = runs.join(masses, on="session_id", how="left", validate="m:1", maintain_order="left")
    runs = runs.with_columns(why_not=pl.coalesce("why_not", _refused_unseen()))
    asked = runs.filter(_KNOWN)
    numbers = pl.DataFrame({"trial_id": asked["trial_id"], **_numbers(asked, way)}).fill_nan(None)
    judged = runs.join(numbers, on="trial_id", how="left", maintain_order="left")
    judged = judged.with_columns(why_not=pl.coalesce("why_not", _refused_fit(way)))
    return judged.with_columns(pl.when(_KNOWN).then(pl.col(n)).alias(n) for n in numbers.columns[1:])


def sprint_values(runs: pl.DataFrame) -> pl.DataFrame:
    """Values of the accepted runs of `fitted_sprints`, long, each with the standard error of its fit."""
    accepted = runs.filter(_KNOWN)
    speeds = [
        values_of(accepted, metric, pl.col(name), pl.col("inputs"), error=pl.col(f"{name}_error"))
        for name, metric, _ in _SPEEDS
    ]
    return pl.concat([*speeds, force_values(accepted, tuple(name for name, _, _ in _FORCES))])


def force_values(accepted: pl.DataFrame, names: Sequence[str]) -> pl.DataFrame:
    """The forces of these names of accepted runs or lines, with the body measures behind them."""
    metrics = {name: metric for name, metric, _ in _FORCES}
    body = pl.concat_list(
        pl.struct(source_table=pl.lit("body_readings"), row_id=pl.col(f"{what}_row_id"), role=pl.lit(what))
        for what in ("body_mass", "stature")
    ).list.filter(pl.element().struct.field("row_id").is_not_null())
    inputs = pl.concat_list("inputs", body)
    flags = join_codes(
        pl.col("flags"),
        pl.when(pl.col("body_mass_provisional")).then(pl.lit("mass_provisional")),
        pl.when(pl.col("stature_m").is_null()).then(pl.lit("stature_unknown")),
    )
    return pl.concat(
        values_of(accepted, metrics[name], pl.col(name), inputs, flags, error=pl.col(f"{name}_error"))
        for name in names
    )


def sprint_profiles(runs: pl.DataFrame) -> pl.DataFrame:
    """The runs of `fitted_sprints` as fits of the kind `sprint`, accepted or refused."""
    values = [
        *told_with_errors(),
        *(fit_value(name, unit, pl.col(name)) for name, unit in _TOLD),
    ]
    return fits_of(runs, "sprint", "sprint_vmax", "s", values)


def told_with_errors() -> list[pl.Expr]:
    """V, tau and the forces as values of a fit, with their errors."""
    return [
        fit_value(name, unit, pl.col(name), pl.col(f"{name}_error")) for name, _, unit in (*_SPEEDS, *_FORCES)
    ]


def drag_of(people: pl.DataFrame) -> Floats:
    """k of the air [kg/m] by body mass and stature, `STATURE_M` where that is not known; NaN without mass."""
    return drag_constant(
        _numbers_of(people["body_mass_kg"]),
        people["stature_m"].cast(pl.Float64).fill_null(STATURE_M).to_numpy(),
    )


def _numbers_of(column: pl.Series) -> Floats:
    return column.cast(pl.Float64).fill_null(float("nan")).to_numpy()


def _runs(gates: pl.DataFrame) -> pl.DataFrame:
    """A row a run: its farthest good gate is the series' distance, its good gates are lists and inputs."""
    gathered = ("trial_id", "row_id", "flags", "distance_m", "split_time_s", "distance", "good")
    own = [name for name in gates.columns if name not in gathered]
    good = pl.col("good")
    return (
        gates.sort("trial_id", "distance_m", "row_id")
        .group_by("trial_id", maintain_order=True)
        .agg(
            pl.col(own).first(),
            n=good.sum().cast(pl.Int64),
            distance=pl.col("distance").filter(good).last(),
            distances_m=pl.col("distance_m").filter(good),
            splits_s=pl.col("split_time_s").filter(good),
            flags=codes_of(pl.col("flags").filter(good)),
            inputs=inputs_within(TABLE, pl.lit("gate")).filter(good),
        )
        .with_columns(row_id=pl.col("trial_id"))
    )


def _refused_unseen() -> pl.Expr:
    """Why a run is not even fitted."""
    return first_reason(
        [
            (excluded(pl.col("flags")), "The run does not count: its flags say why."),
            (pl.col("start_offset_m").is_null(), "How far behind the first gate the run began is not known."),
            (pl.col("start") == "flying", "The run began at speed, so there is no start from rest."),
            (pl.col("timing") == "hand", "Timed by hand: the operator's reaction is in the start."),
            (
                pl.col("n") < FEWEST_GATES,
                pl.format("{} gates with a usable time; {} are needed.", "n", pl.lit(FEWEST_GATES)),
            ),
            (
                pl.col("distances_m").list.min() > FIRST_GATE_M,
                f"No gate within {FIRST_GATE_M:g} m: nothing tells acceleration from top speed.",
            ),
        ]
    )


def _refused_fit(way: Way) -> pl.Expr:
    """Why a fitted run is refused."""
    # Rounded down, so that it never reads like what is needed.
    percent = (100 * pl.col("share_of_vmax")).floor().cast(pl.Int32)
    return first_reason(
        [
            (~pl.col("settled"), "The times follow no curve that levels off."),
            (
                pl.col("scatter") > way.widest,
                pl.format(
                    f"The times lie {{}} {way.unit} off the curve (root mean square); up to {way.widest:g} "
                    f"{way.unit} is good enough.",
                    pl.col("scatter").round(3),
                ),
            ),
            (
                pl.col("share_of_vmax") < TOP_SPEED_SHARE,
                pl.format(
                    f"Top speed was not reached: {way.end} was passed at {{}} % of the modelled maximum; "
                    f"{100 * TOP_SPEED_SHARE:g} % are needed.",
                    percent,
                ),
            ),
            (
                pl.col("vmax_error") > WIDEST_ERROR * pl.col("vmax"),
                f"The maximum is too uncertain: its standard error is above {100 * WIDEST_ERROR:g} % of it.",
            ),
        ]
    )


def _numbers(asked: pl.DataFrame, way: Way) -> dict[str, npt.NDArray[np.generic]]:
    """What the fits of all asked runs give, by column; NaN where there is no number."""
    distance, split, used = _padded(asked)
    offset = asked["start_offset_m"].to_numpy()
    fits = way.fit(distance, split, offset, used)
    variance, freedom = _noise(asked, fits)
    last = distance.max(axis=1, initial=0.0) + offset
    return {
        "vmax": fits.vmax_m_s,
        "vmax_error": np.sqrt(variance * fits.vmax_variance),
        "tau": fits.tau_s,
        "tau_error": np.sqrt(variance * fits.tau_variance),
        **_forces(asked, fits, variance),
        "settled": fits.settled,
        "scatter": np.sqrt(fits.residual_ss / np.maximum(used.sum(axis=1), 1)),
        "residual_sd": np.sqrt(fits.residual_ss / np.maximum(fits.df, 1)),
        "share_of_vmax": share_of_top_speed(last, fits.vmax_m_s, fits.tau_s),
        "degrees_of_freedom": freedom,
    }


def _forces(asked: pl.DataFrame, fits: SprintFits, variance: Floats) -> dict[str, npt.NDArray[np.generic]]:
    """Force-velocity values and errors by column; NaN without a body mass."""
    wind = asked["wind_m_s"].fill_null(0.0).to_numpy()
    line = [_numbers_of(asked[name]) if name in asked.columns else 0.0 for name in ("line_n", "line_n_s_m")]
    around = Surroundings(_numbers_of(asked["body_mass_kg"]), drag_of(asked), wind, *line)
    values = sprint_forces(fits.vmax_m_s, fits.tau_s, around)
    errors = force_errors(fits, variance, around)
    return {
        **values._asdict(),
        **{f"{name}_error": error for name, error in errors._asdict().items()},
    }


def _noise(asked: pl.DataFrame, fits: SprintFits) -> tuple[Floats, Floats]:
    """Variance of a time [s²] and its degrees of freedom, pooled over a device and method version."""
    pool = pl.concat_str("device", pl.col("method_version").fill_null(""), separator="\x1f")
    pools = asked.select(pool.rank("dense").cast(pl.Int64) - 1).to_series().to_numpy()
    # A run that follows no such curve says nothing about the noise of a gate.
    df = np.where(fits.settled, fits.df, 0)
    return pooled_variance(fits.residual_ss, df, pools)


def _padded(
    runs: pl.DataFrame,
) -> tuple[Floats, Floats, npt.NDArray[np.bool_]]:
    """Distances [m], times [s] and which places are used, (runs, most gates) each."""
    n = runs["n"].to_numpy()
    used = np.arange(n.max(initial=0))[None, :] < n[:, None]
    distance, split = np.zeros(used.shape), np.zeros(used.shape)
    distance[used] = runs["distances_m"].explode(empty_as_null=False).to_numpy()
    split[used] = runs["splits_s"].explode(empty_as_null=False).to_numpy()
    return distance, split, used

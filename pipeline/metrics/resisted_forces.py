"""The sprint model of a single resisted run whose line force was measured: F0, V0 and Pmax of that run.

A trace is read as gates are: the times at which it passes places behind its start carry the error, and the
place of the start is known. What holds the runner back is the measured force, never a setting or a mass.
"""

from __future__ import annotations

import numpy as np
import polars as pl

from pipeline.metrics.fits import first_reason, fits_of
from pipeline.metrics.rows import thousandths
from pipeline.metrics.sprint_model import FEWEST_GATES, Way, fitted_runs, force_values, told_with_errors
from pipeline.numerics.lines import Floats, fit_lines
from pipeline.numerics.passages import mean_forces, passages
from pipeline.numerics.sprint import SprintFits, fit_passages

TABLE = "resisted_runs"
CLOCK_FROM_M = 1.0
"""The clock starts this far from the start: on the first metre a centimetre at rest counts for too much."""
STEP_M = 2.5
"""Times are taken every so often, about a stride: within one, errors hang together; judgement."""
FARTHEST_M = 60.0
_FORCE_DIGITS = 3
WIDEST_M = 0.15
"""Root mean square of a run's places about its curve [m]: what 0.03 s are at 5 m/s; judgement."""


def forces_of_runs(runs: pl.DataFrame, masses: pl.DataFrame, samples: pl.DataFrame) -> pl.DataFrame:
    """One row a resisted run with force measured throughout, as `sprint_model.fitted_runs` gives it.

    `runs`: `resisted_runs` with series keys and `trace_numbers`. Places count up to the end of the fastest
    2.5 m, behind which runners slow down. Line force is a straight line in v over the same stretches; the
    line is taken for level, because no export has its angle.
    """
    own = runs.filter(pl.col("mean").is_not_null() & pl.col("pull").ne_missing("assisted"))
    sets = own.select("sample_set_id", "trial_id").unique("sample_set_id").sort("sample_set_id")
    ordered = samples.join(sets, on="sample_set_id", how="semi").sort("sample_set_id", "time_s")
    numbers = _passed(ordered, sets["sample_set_id"])
    asked = (
        own.drop("vmax", "tau", "residual_sd")
        .join(numbers, on="sample_set_id", how="left", maintain_order="left")
        .sort("trial_id")
    )
    load = pl.coalesce(
        thousandths(pl.col("resistance_n"), "N"),
        "resistance_setting",
        thousandths(pl.col("sled_mass_kg"), "kg"),
    )
    asked = asked.with_columns(
        test=pl.concat_str(pl.lit("resisted_run"), pl.format(" at {}", load), ignore_nulls=True),
        # Behind the first place, which takes the part of the first gate.
        start_offset_m=pl.lit(CLOCK_FROM_M),
        start=pl.lit(None, pl.String),
        timing=pl.lit("electronic"),
        wind_m_s=pl.lit(None, pl.Float64),
        inputs=pl.concat_list(pl.struct(source_table=pl.lit(TABLE), row_id="row_id", role=pl.lit("run"))),
        why_not=_refused(),
    ).with_columns(row_id=pl.concat_str("row_id", pl.lit("force"), separator="|"))
    return fitted_runs(asked, masses, Way(_fit_places, WIDEST_M, "m", "the end of the trace"))


def run_force_values(fitted: pl.DataFrame) -> pl.DataFrame:
    """F0 [N/kg], V0 [m/s] and Pmax [W/kg] of the accepted runs of `forces_of_runs`, with standard errors."""
    accepted = fitted.filter(pl.col("why_not").is_null() & pl.col("f0").is_not_null())
    return force_values(accepted, ("f0", "v0", "pmax"))


def run_force_profiles(fitted: pl.DataFrame) -> pl.DataFrame:
    """The runs of `forces_of_runs` as fits of the kind `resisted_run_force_velocity`."""
    unweighed = pl.when(pl.col("body_mass_kg").is_null()).then(pl.lit("Body mass is not known."))
    judged = fitted.with_columns(why_not=pl.coalesce("why_not", unweighed))
    return fits_of(judged, "resisted_run_force_velocity", "sprint_f0", "m", told_with_errors()[:5])


def _fit_places(distance: Floats, split: Floats, offset: Floats, used: np.ndarray) -> SprintFits:
    """The fit of passages: the first place, which started the clock, is one of them."""
    first = np.zeros((used.shape[0], 1))
    away, time = np.hstack([first, distance]) + offset[:, None], np.hstack([first, split])
    return fit_passages(away, time, np.hstack([used.any(axis=1, keepdims=True), used]))


def _refused() -> pl.Expr:
    """Why a trace is not even fitted."""
    short = pl.format(
        "The run is too short: {} places with a time; {} are needed.", "n", pl.lit(FEWEST_GATES)
    )
    return first_reason(
        [
            (pl.col("late"), "The run had begun before the first sample."),
            (pl.col("n").fill_null(0) < FEWEST_GATES, short),
        ]
    )


def _passed(ordered: pl.DataFrame, names: pl.Series) -> pl.DataFrame:
    """A row a trace: `distances_m` past the first place, `splits_s` from it, `n`, and the line force."""
    lengths = ordered["sample_set_id"].rle().struct.field("len").to_numpy()
    offsets = np.concatenate([[0], np.cumsum(lengths)]).astype(np.int64)
    time, position = ordered["time_s"].to_numpy(), ordered["position_m"].to_numpy()
    force = ordered["force_n"].fill_null(float("nan")).to_numpy()
    away = np.concatenate([[CLOCK_FROM_M], np.arange(STEP_M, FARTHEST_M + STEP_M / 2, STEP_M)])
    passed = passages(offsets, time, position, away)
    took = np.diff(passed, axis=1)
    speed = np.diff(away) / took
    until = np.argmax(np.where(np.isfinite(speed), speed, -np.inf), axis=1)
    good = np.isfinite(speed) & (np.arange(speed.shape[1]) <= until[:, None])
    # Sums over all traces leave last digits that depend on the traces before; no device has so many.
    held = np.round(mean_forces(offsets, time, force, passed), _FORCE_DIGITS)
    rest, slope = _line_force(speed, held, good)
    distances = np.where(good, away[1:] - CLOCK_FROM_M, np.nan)
    splits = np.where(good, passed[:, 1:] - passed[:, :1], np.nan)
    return pl.DataFrame(
        {
            "sample_set_id": names,
            "n": good.sum(axis=1),
            "distances_m": _lists(distances),
            "splits_s": _lists(splits),
            "line_n": rest,
            "line_n_s_m": slope,
        }
    )


def _lists(numbers: Floats) -> pl.Series:
    """A list of each row's numbers that are not NaN: (k, m) -> k lists."""
    array = pl.Series(numbers, dtype=pl.Array(pl.Float64, numbers.shape[1]))
    return array.arr.to_list().list.filter(pl.element().is_finite())


def _line_force(speed: Floats, force: Floats, good: np.ndarray) -> tuple[Floats, Floats]:
    """Height at rest [N] and slope [N s/m] of each trace's line of force on speed over its good stretches."""
    lines = fit_lines(speed[good], force[good], np.nonzero(good)[0], good.shape[0])
    return lines.intercept, lines.slope

"""What the traces of resisted runs come to: velocities, forces, sections, and the sprint model of each."""

from __future__ import annotations

import numpy as np
import polars as pl

from pipeline.metrics.trace_order import by_trace
from pipeline.numerics.fastest import STRETCH_M, fastest_stretch, fastest_window
from pipeline.numerics.laid import Floats, Ints, lay, portions
from pipeline.numerics.smoothing import mean_between, mean_force, peak_force, trapezoids
from pipeline.numerics.sprint import SprintFits, fit_position
from pipeline.numerics.traces import (
    even_steps,
    first_reached,
    first_speed,
    section_speeds,
    start_of_movement,
)

STEP_S = 0.1
"""The sprint model is fitted to the position every so often after the start [s] ..."""
MOST_STEPS = 100
"""... up to the end of the fastest half second, and to so many steps."""
FEWEST_STEPS = 10
MOVING_M_S = 1.0
"""A trace whose first 0.15 s are faster than this had begun before it [m/s]; judgement: from rest they are
at 0.75 with 10 m/s²."""


def trace_numbers(samples: pl.DataFrame) -> pl.DataFrame:
    """One row a trace, sorted by sample_set_id; NULL where a trace does not give a number.

    plateau [m/s] mean over the fastest 5 m, plateau_force [N] the mean line force on them; fastest [m/s] over
    0.5 s; peak, mean [N]; sections, a list of mean velocities [m/s] of 5 m each from the start; vmax [m/s],
    tau [s], points, residual_sd [m] of the sprint model; late: whether the run began before the first sample.
    """
    ordered, names, offsets = by_trace(samples, "time_s")
    time, place = ordered["time_s"].to_numpy(), ordered["position_m"].to_numpy()
    # A trace without force, or with a hole in it, has none of its numbers: NaN passes through the sums.
    force = ordered["force_n"].fill_null(float("nan")).to_numpy()
    parts = [_portion(time, place, force, offsets[a : b + 1]) for a, b in portions(offsets, time, place)]
    numbers = {name: _stacked([part[name] for part in parts]) for name in parts[0]}
    late, sections, fits = numbers.pop("late") > 0, numbers.pop("sections"), _fits(numbers.pop("steps"))
    numbers |= {
        "vmax": np.where(fits.settled, fits.vmax_m_s, np.nan),
        "tau": np.where(fits.settled, fits.tau_s, np.nan),
        "residual_sd": np.sqrt(fits.residual_ss / np.maximum(fits.df, 1)),
    }
    return names.to_frame().with_columns(
        *(pl.Series(name, values).fill_nan(None) for name, values in numbers.items()),
        pl.Series("sections", sections, dtype=pl.Array(pl.Float64, sections.shape[1]))
        .arr.to_list()
        .list.filter(pl.element().is_finite()),
        pl.Series("points", fits.df + 2),
        pl.Series("late", late),
    )


def _portion(time: Floats, place: Floats, force: Floats, offsets: Ints) -> dict[str, Floats]:
    """Numbers of some traces: (k,) each; `sections` and `steps`, to fit the sprint model to: (k, m)."""
    own = slice(offsets[0], offsets[-1])
    clock, place, force = lay(time[own], offsets - offsets[0]), place[own], force[own]
    way, passed = first_reached(clock, place)
    begin_s, end_s = fastest_stretch(way, passed)
    fastest, until_s = fastest_window(clock, place)
    start_s, start_m = start_of_movement(clock, place)
    parts = trapezoids(clock, force)
    late = first_speed(clock, place) > MOVING_M_S
    return {
        "plateau": STRETCH_M / (end_s - begin_s),
        "plateau_force": mean_between(clock, force, begin_s, end_s, parts),
        "fastest": fastest,
        "peak": peak_force(clock, force, parts=parts),
        "mean": mean_force(clock, force, parts),
        "late": late.astype(np.float64),
        "sections": section_speeds(way, passed, np.where(late, np.nan, start_s), start_m),
        "steps": even_steps(
            clock, place, start_s, start_m, np.where(late, np.nan, until_s), STEP_S, MOST_STEPS
        ),
    }


def _stacked(parts: list[Floats]) -> Floats:
    """One after the other, those with fewer columns filled up with NaN."""
    if parts[0].ndim == 1:
        return np.concatenate(parts)
    most = max(part.shape[1] for part in parts)
    return np.concatenate(
        [np.pad(part, ((0, 0), (0, most - part.shape[1])), constant_values=np.nan) for part in parts]
    )


def _fits(position: Floats) -> SprintFits:
    """The sprint model of every trace; not settled where its start or its end is not known."""
    used = np.isfinite(position)
    used[used.sum(axis=1) < FEWEST_STEPS] = False
    longest = int(used.sum(axis=1).max(initial=1))
    steps = STEP_S * np.arange(1.0, longest + 1)
    return fit_position(steps, position[:, :longest], used[:, :longest])

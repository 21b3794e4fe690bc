"""What the traces of resisted runs come to: velocities, forces, sections, and the sprint model of each."""

from __future__ import annotations

import numpy as np
import polars as pl

from pipeline.numerics.laid import Floats, Ints, Laid, portions
from pipeline.numerics.smoothing import mean_between, mean_force, peak_force
from pipeline.numerics.sprint import SprintFits, fit_position
from pipeline.numerics.traces import (
    STRETCH_M,
    even_steps,
    fastest_stretch,
    fastest_window,
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
    ordered = samples if _in_order(samples) else samples.sort("sample_set_id", "time_s")
    sets = ordered["sample_set_id"].rle().struct.unnest().rename({"value": "sample_set_id"})
    offsets = np.concatenate([[0], np.cumsum(sets["len"].to_numpy())]).astype(np.int64)
    time, place = ordered["time_s"].to_numpy(), ordered["position_m"].to_numpy()
    # A trace without force, or with a hole in it, has none of its numbers: NaN passes through the sums.
    force = ordered["force_n"].fill_null(float("nan")).to_numpy()
    parts = [_portion(time, place, force, offsets[a : b + 1]) for a, b in portions(offsets, time, place)]
    numbers = pl.concat(frame for frame, _ in parts)
    fits = _fits(np.concatenate([steps for _, steps in parts]))
    settled = np.where(fits.settled, 1.0, np.nan)
    return pl.concat([sets.select("sample_set_id"), numbers], how="horizontal").with_columns(
        pl.Series("vmax", fits.vmax_m_s * settled).fill_nan(None),
        pl.Series("tau", fits.tau_s * settled).fill_nan(None),
        pl.Series("residual_sd", np.sqrt(fits.residual_ss / np.maximum(fits.df, 1))).fill_nan(None),
        pl.Series("points", fits.df + 2),
    )


def _portion(time: Floats, place: Floats, force: Floats, offsets: Ints) -> tuple[pl.DataFrame, Floats]:
    """Numbers of some traces, and the positions to which the sprint model is fitted, NaN where there is none."""
    own = slice(offsets[0], offsets[-1])
    runs = Laid(time[own], place[own], offsets - offsets[0])
    pull = Laid(time[own], force[own], runs.offsets)
    passed = first_reached(runs)
    begin_s, end_s = fastest_stretch(passed)
    fastest, until_s = fastest_window(runs)
    late = first_speed(runs) > MOVING_M_S
    start_s, start_m = start_of_movement(runs)
    speeds = section_speeds(passed, np.where(late, np.nan, start_s), start_m)
    numbers = {
        "plateau": STRETCH_M / (end_s - begin_s),
        "plateau_force": mean_between(pull, begin_s, end_s),
        "fastest": fastest,
        "peak": peak_force(pull),
        "mean": mean_force(pull),
    }
    frame = pl.DataFrame(
        [
            *(pl.Series(name, values).fill_nan(None) for name, values in numbers.items()),
            pl.Series("sections", _rows(speeds)),
            pl.Series("late", late),
        ]
    )
    return frame, even_steps(runs, start_s, start_m, np.where(late, np.nan, until_s), STEP_S, MOST_STEPS)


def _rows(numbers: Floats) -> pl.Series:
    """A list of each row's numbers that are not NaN: (k, m) -> k lists."""
    array = pl.Series(numbers, dtype=pl.Array(pl.Float64, numbers.shape[1]))
    return array.arr.to_list().list.filter(pl.element().is_finite())


def _in_order(samples: pl.DataFrame) -> bool:
    """Whether samples are sorted by trace and time, as the warehouse gives them; sorting is slow."""
    name, time = pl.col("sample_set_id"), pl.col("time_s")
    follows = (name > name.shift()) | ((name == name.shift()) & (time >= time.shift()))
    return bool(samples.select(follows.all()).item())


def _fits(position: Floats) -> SprintFits:
    """The sprint model of every trace; not settled where its start or its end is not known."""
    used = np.isfinite(position)
    used[used.sum(axis=1) < FEWEST_STEPS] = False
    longest = int(used.sum(axis=1).max(initial=1))
    clock = np.tile(STEP_S * np.arange(1, longest + 1), (position.shape[0], 1))
    return fit_position(clock, position[:, :longest], used[:, :longest])

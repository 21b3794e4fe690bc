"""What the traces of resisted runs come to: velocities, forces, sections, and the sprint model of each."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
import polars as pl

from pipeline.numerics.smoothing import mean_between, mean_force, peak_force
from pipeline.numerics.sprint import SprintFits, fit_position
from pipeline.numerics.traces import (
    STRETCH_M,
    by_trace,
    even_steps,
    fastest_window,
    first_speed,
    section_speeds,
    start_of_movement,
    stretch_span,
)

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]

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
    spans = _pairs(by_trace(offsets, stretch_span, time, place))
    windows = _pairs(by_trace(offsets, fastest_window, time, place))
    starts = _pairs(by_trace(offsets, start_of_movement, time, place))
    late = by_trace(offsets, first_speed, time, place) > MOVING_M_S
    fits = _fits(offsets, time, place, starts, np.where(late, np.nan, windows[:, 1]))
    numbers = {
        "plateau": STRETCH_M / (spans[:, 1] - spans[:, 0]),
        "plateau_force": _means_within(offsets, time, force, spans),
        "fastest": windows[:, 0],
        "peak": by_trace(offsets, peak_force, time, force),
        "mean": by_trace(offsets, mean_force, time, force),
        "vmax": np.where(fits.settled, fits.vmax_m_s, np.nan),
        "tau": np.where(fits.settled, fits.tau_s, np.nan),
        "residual_sd": np.sqrt(fits.residual_ss / np.maximum(fits.df, 1)),
    }
    speeds = [
        section_speeds(time[a:b], place[a:b], *start).tolist()
        for a, b, start in zip(
            offsets[:-1], offsets[1:], np.where(late[:, None], np.nan, starts), strict=True
        )
    ]
    return sets.select("sample_set_id").with_columns(
        *(pl.Series(name, values).fill_nan(None) for name, values in numbers.items()),
        pl.Series("sections", speeds, dtype=pl.List(pl.Float64)),
        pl.Series("points", fits.df + 2),
        pl.Series("late", late),
    )


def _in_order(samples: pl.DataFrame) -> bool:
    """Whether samples are sorted by trace and time, as the warehouse gives them; sorting is slow."""
    name, time = pl.col("sample_set_id"), pl.col("time_s")
    follows = (name > name.shift()) | ((name == name.shift()) & (time >= time.shift()))
    return bool(samples.select(follows.all()).item())


def _fits(offsets: Ints, time: Floats, place: Floats, starts: Floats, until: Floats) -> SprintFits:
    """The sprint model of every trace; not settled where its start or its end is not known."""
    rows = [
        even_steps(time[a:b], place[a:b], start_s, start_m, end_s, STEP_S, MOST_STEPS)
        for a, b, (start_s, start_m), end_s in zip(offsets[:-1], offsets[1:], starts, until, strict=True)
    ]
    position = np.array(rows, dtype=np.float64).reshape(len(rows), MOST_STEPS)
    used = np.isfinite(position)
    used[used.sum(axis=1) < FEWEST_STEPS] = False
    longest = int(used.sum(axis=1).max(initial=1))
    clock = np.tile(STEP_S * np.arange(1, longest + 1), (len(rows), 1))
    return fit_position(clock, position[:, :longest], used[:, :longest])


def _means_within(offsets: Ints, time: Floats, force: Floats, spans: Floats) -> Floats:
    """Mean force [N] of each trace within its span."""
    return np.array(
        [
            mean_between(time[a:b], force[a:b], begin, end)
            for a, b, (begin, end) in zip(offsets[:-1], offsets[1:], spans, strict=True)
        ],
        dtype=np.float64,
    )


def _pairs(numbers: Floats) -> Floats:
    """(k, 2), also where there are no traces."""
    return numbers.reshape(-1, 2)

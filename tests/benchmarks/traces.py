"""How fast traces of runs and of bars are gone through, beside a plain loop over them, one by one.

Millions of samples a second and core, in processor time, all in one run; the loop does some of the traces.
It takes the same quantities with numpy's interpolation and sums, the sprint model with scipy's `curve_fit`.
"""

from __future__ import annotations

from collections.abc import Callable
from functools import partial
from itertools import pairwise
from statistics import median

import numpy as np
import polars as pl
from scipy.optimize import curve_fit

from pipeline.metrics.found_reps import found_reps
from pipeline.metrics.resisted_traces import MOST_STEPS, STEP_S, trace_numbers
from pipeline.numerics.fastest import fastest_stretch, fastest_window
from pipeline.numerics.laid import Floats, Ints, lay, portions
from pipeline.numerics.repetitions import find_repetitions
from pipeline.numerics.smoothing import mean_between, mean_force, peak_force, smooth
from pipeline.numerics.traces import (
    first_reached,
    first_speed,
    section_speeds,
    start_of_movement,
)
from tests.benchmarks.sprint import calls, seconds
from tests.metrics.trial_rows import trial_rows
from tests.numerics import plain_runs
from tests.numerics.bar_traces import squats

SAMPLES = 500_000
RATES_HZ = (50, 100, 200, 500, 1000)
PART = 10
"""One trace in so many is gone through by the loop."""


def main() -> None:
    """Print a table for runs of 5 s, then one for sets of six repetitions."""
    print("resisted runs of 5 s: millions of samples a second (times the plain loop)")
    _table([_runs(hz) for hz in RATES_HZ])
    print("bar traces of 22 s: millions of samples a second")
    _table([_sets(hz) for hz in RATES_HZ])


def _table(columns: list[dict[str, str]]) -> None:
    print(f"{'':36}" + "".join(f"{f'{hz} Hz':>15}" for hz in RATES_HZ))
    for name in columns[0]:
        print(f"{name:36}" + "".join(f"{column[name]:>15}" for column in columns))


def _runs(hz: int) -> dict[str, str]:
    n = 5 * hz
    runs, rng = SAMPLES // n, np.random.default_rng(8)
    time = np.tile(np.arange(n) / hz, runs)
    place = 7 * (time + 1.1 * np.expm1(-time / 1.1)) + rng.normal(0, 0.002, time.size)
    force = 60 + rng.normal(0, 2.0, time.size)
    offsets = np.arange(runs + 1) * n
    names = np.repeat([f"{i:016x}" for i in range(runs)], n)
    samples = pl.DataFrame({"sample_set_id": names, "time_s": time, "position_m": place, "force_n": force})
    trace_numbers(samples)  # what only the first call costs is not counted
    told = {
        name: _rates(
            time.size,
            seconds(partial(_all, batch, offsets, time, place, force)),
            seconds(partial(_loop, plain, offsets, time, place, force)),
        )
        for name, (batch, plain) in QUANTITIES.items()
    }
    at_once = calls(lambda: trace_numbers(samples))
    one_by_one = seconds(lambda: _loop(_everything, offsets, time, place, force))
    told["all, as a table, with the model"] = _rates(time.size, min(at_once), one_by_one)
    told["  the median of these calls"] = _rates(time.size, median(at_once), one_by_one)
    return told


def _rates(samples: int, took: float, loop: float) -> str:
    """`loop`: the seconds for a part of the samples."""
    return f"{samples / took / 1e6:.1f} ({loop * PART / took:.1f}x)"


def _all(measure: Callable[..., object], offsets: Ints, time: Floats, *columns: Floats) -> None:
    for a, b in portions(offsets, time, columns[0]):
        own = slice(offsets[a], offsets[b])
        measure(lay(time[own], offsets[a : b + 1] - offsets[a]), *(column[own] for column in columns))


def _loop(measure: Callable[..., object], offsets: Ints, *columns: Floats) -> None:
    for a, b in list(pairwise(offsets.tolist()))[::PART]:
        measure(*(column[a:b] for column in columns))


QUANTITIES: dict[str, tuple[Callable[..., object], Callable[..., object]]] = {
    "fastest 5 m": (
        lambda t, x, _: fastest_stretch(*first_reached(t, x)),
        lambda t, x, _: plain_runs.stretch_span(t, x),
    ),
    "fastest 0.5 s": (
        lambda t, x, _: fastest_window(t, x),
        lambda t, x, _: plain_runs.fastest_window(t, x),
    ),
    "smoothing": (lambda t, x, _: smooth(t, x, 0.1), lambda t, x, _: plain_runs.smooth(t, x, 0.1)),
    "start of movement": (
        lambda t, x, _: (start_of_movement(t, x), first_speed(t, x)),
        lambda t, x, _: (plain_runs.start_of_movement(t, x), plain_runs.first_speed(t, x)),
    ),
    "sections of 5 m": (
        lambda t, x, _: section_speeds(*first_reached(t, x), np.zeros(t.shift.size), np.zeros(t.shift.size)),
        lambda t, x, _: plain_runs.section_speeds(t, x, 0.0, 0.0),
    ),
    "peak force": (lambda t, _, f: peak_force(t, f), lambda t, _, f: plain_runs.peak_force(t, f)),
    "mean force": (lambda t, _, f: mean_force(t, f), lambda t, _, f: plain_runs.mean_force(t, f)),
    "mean force over 5 m": (
        lambda t, _, f: mean_between(t, f, np.full(t.shift.size, 4.0), np.full(t.shift.size, 4.8)),
        lambda t, _, f: plain_runs.mean_between(t, f, 4.0, 4.8),
    ),
}


def _everything(time: Floats, place: Floats, force: Floats) -> None:
    """What `trace_numbers` gives of a run."""
    begin, end = plain_runs.stretch_span(time, place)
    _, until = plain_runs.fastest_window(time, place)
    start_s, start_m = plain_runs.start_of_movement(time, place)
    plain_runs.first_speed(time, place)
    plain_runs.section_speeds(time, place, start_s, start_m)
    plain_runs.peak_force(time, force)
    plain_runs.mean_force(time, force)
    plain_runs.mean_between(time, force, begin, end)
    steps = STEP_S * np.arange(1, MOST_STEPS + 1)
    steps = steps[start_s + steps <= until]
    curve_fit(
        lambda t, vmax, tau: vmax * (t + tau * np.expm1(-t / tau)),
        steps,
        np.interp(start_s + steps, time, place) - start_m,
        p0=(7.0, 1.0),
    )


def _sets(hz: int) -> dict[str, str]:
    time, height = squats(hz, seconds=(0.6, 0.7, 0.8, 0.9, 1.0, 1.1)).trace(0.0003)
    sets = max(SAMPLES // time.size, 1)
    names = [f"{number:016x}" for number in range(sets)]
    times, heights, offsets = np.tile(time, sets), np.tile(height, sets), np.arange(sets + 1) * time.size
    samples = pl.DataFrame(
        {
            "sample_set_id": np.repeat(names, time.size),
            "time_s": times,
            "position_m": heights,
            "line": np.arange(sets * time.size, dtype=np.int32),
        }
    )
    about = {"lift": "back_squat", "load_kg": 80.0, "set": 1}
    rows = trial_rows("bar_sets", *({**about, "sample_set_id": name} for name in names))
    found_reps(rows, samples)
    alone = seconds(lambda: find_repetitions(times, heights, offsets))
    with_rows = seconds(lambda: found_reps(rows, samples))
    return {
        "repetitions, velocities, ranges": f"{samples.height / alone / 1e6:.1f}",
        "as rows of the warehouse": f"{samples.height / with_rows / 1e6:.1f}",
    }

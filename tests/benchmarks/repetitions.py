"""How fast bar traces are gone through: the numbers alone, and as rows of `bar_reps`."""

from __future__ import annotations

from functools import partial
from itertools import pairwise

import numpy as np
import numpy.typing as npt
import polars as pl

from pipeline.metrics.found_reps import found_reps
from pipeline.numerics.repetitions import find_repetitions
from tests.benchmarks.sprint import seconds
from tests.metrics.trial_rows import trial_rows
from tests.numerics.bar_traces import squats

Floats = npt.NDArray[np.float64]


def main() -> None:
    """Print samples a second and core at four rates, for sets of six repetitions."""
    for sets, hz in ((1_000, 50), (500, 200), (200, 500), (100, 1000)):
        time, height = squats(hz, seconds=(0.6, 0.7, 0.8, 0.9, 1.0, 1.1)).trace(0.0003)
        print(f"{sets} sets of {time[-1]:.0f} s at {hz} Hz, millions of samples a second and core:")
        times, heights, offsets = np.tile(time, sets), np.tile(height, sets), np.arange(sets + 1) * time.size
        took = seconds(partial(_alone, times, heights, offsets))
        print(f"  repetitions: {times.size / took / 1e6:.1f}")
        names = [f"{number:016x}" for number in range(sets)]
        samples = pl.DataFrame(
            {
                "sample_set_id": np.repeat(names, time.size),
                "time_s": times,
                "position_m": heights,
                "line": np.arange(times.size, dtype=np.int32),
            }
        )
        about = {"lift": "back_squat", "load_kg": 80.0, "set": 1}
        rows = trial_rows("bar_sets", *({**about, "sample_set_id": name} for name in names))
        took = seconds(partial(found_reps, rows, samples))
        print(f"  as rows, with sorting: {times.size / took / 1e6:.1f}")


def _alone(times: Floats, heights: Floats, offsets: npt.NDArray[np.int64]) -> None:
    for begins, ends in pairwise(offsets):
        find_repetitions(times[begins:ends], heights[begins:ends])

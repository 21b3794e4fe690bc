"""How fast sprints are fitted beside scipy, one by one.

All in one process and one run, so that the ratios hold whatever the computer. The comparison fits a sample:
the same model and data, from the same kind of start, with and without bounds.
"""

from __future__ import annotations

import time
from collections.abc import Callable

import numpy as np
import numpy.typing as npt
from scipy.optimize import curve_fit
from scipy.special import lambertw

from pipeline.numerics.sprint import fit_splits, split_at

Floats = npt.NDArray[np.float64]

SPRINTS = 100_000
SAMPLE = 2_000
GATES_M = np.array([5.0, 10.0, 15.0, 20.0, 30.0, 40.0])
NOISE_S = 0.01


def seconds(work: Callable[[], object]) -> float:
    """Processor time of one call [s], of all its threads: the best of `calls`: others share the machine."""
    return min(calls(work))


def calls(work: Callable[[], object]) -> list[float]:
    """Processor time of three calls [s], or of as many as a second holds: a short one is soon disturbed."""
    times: list[float] = []
    while len(times) < 3 or sum(times) < 1:
        began = time.process_time()
        work()
        times.append(time.process_time() - began)
    return times


def main() -> None:
    """100,000 sprints at once; a sample of them by `curve_fit`, bounded and not."""
    rng = np.random.default_rng(7)
    vmax, tau, offset = (
        rng.uniform(low, high, SPRINTS) for low, high in ((6.5, 10.0), (0.9, 1.4), (0.0, 1.0))
    )
    splits = split_at(GATES_M[None, :], offset[:, None], vmax[:, None], tau[:, None])
    splits = splits + rng.normal(0.0, NOISE_S, splits.shape)
    distance, used = np.tile(GATES_M, (SPRINTS, 1)), np.ones(splits.shape, dtype=bool)
    batched = seconds(lambda: fit_splits(distance, splits, offset, used))
    fits = fit_splits(distance, splits, offset, used)
    print(f"{SPRINTS} sprints of {GATES_M.size} gates in one call: {batched:.2f} s of processor time")
    print(f"  settled: {fits.settled.mean():.4%}")
    for name, bounds in (("bounded", ((1.0, 0.1), (15.0, 5.0))), ("unbounded", None)):
        found = np.zeros((SAMPLE, 2))
        began = time.process_time()
        for i in range(SAMPLE):
            found[i] = _one_by_one(splits[i], offset[i], bounds)
        each = (time.process_time() - began) / SAMPLE
        off = np.abs(found / np.column_stack([fits.vmax_m_s, fits.tau_s])[:SAMPLE] - 1).max()
        print(
            f"  curve_fit, {name}: {1000 * each:.3f} ms a sprint (of {SAMPLE}), "
            f"{each * SPRINTS / batched:.0f} times slower; furthest apart {off:.1e} (relative)"
        )


def _one_by_one(splits: Floats, offset: float, bounds: object) -> Floats:
    def model(distance: Floats, vmax: float, tau: float) -> Floats:
        def when(metres: Floats | float) -> Floats:
            reached = metres / (vmax * tau)
            return np.asarray(tau * (reached + 1 + lambertw(-np.exp(-reached - 1)).real))

        return when(distance + offset) - when(offset)

    start = (GATES_M[-1] / splits[-1] * 1.2, 1.0)
    more = {} if bounds is None else {"bounds": bounds}
    return np.asarray(curve_fit(model, GATES_M, splits, p0=start, **more)[0])

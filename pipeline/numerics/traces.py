"""Numbers of one trace, and of many laid end to end: fastest stretch, peak and mean force."""

from __future__ import annotations

from collections.abc import Callable
from itertools import pairwise

import numpy as np
import numpy.typing as npt

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]

STRETCH_M = 5.0
"""Length of the stretch that plateau velocity is the mean over [m] (methods, B5)."""
PEAK_SECONDS = 0.1
"""Width of the moving mean whose highest value is the peak force [s]; common practice, no source."""


def fastest_stretch(time_s: Floats, position_m: Floats, length_m: float = STRETCH_M) -> float:
    """Highest mean velocity [m/s] over `length_m` of running; NaN where the run is shorter.

    `time_s`, `position_m`: shape (n,), in order of time. A place is passed when it is first reached: samples
    that fall back are passed over. Between samples the position is taken as a straight line, so the result
    does not depend on where samples happen to fall.
    """
    reached = np.maximum.accumulate(position_m)
    forward = np.concatenate([[True], np.diff(reached) > 0])
    t, x = time_s[forward], reached[forward]
    # The time that a stretch takes is piecewise linear in its start: the shortest begins or ends at a sample.
    starts, ends = np.concatenate([x, x - length_m]), np.concatenate([x + length_m, x])
    inside = (starts >= x[0]) & (ends <= x[-1])
    if not inside.any():
        return float("nan")
    shortest = (np.interp(ends[inside], x, t) - np.interp(starts[inside], x, t)).min()
    return float(length_m / shortest) if shortest > 0 else float("nan")


def peak_force(time_s: Floats, force_n: Floats, width_s: float = PEAK_SECONDS) -> float:
    """Highest mean force [N] over any `width_s` of the trace; NaN where the trace is shorter than that.

    Between samples the force is taken as a straight line, so uneven steps do not weigh more, and the result
    does not depend on where samples happen to fall.
    """
    if time_s.size < 2 or time_s[-1] - time_s[0] < width_s:
        return float("nan")
    area = np.concatenate([[0.0], np.cumsum(np.diff(time_s) * (force_n[1:] + force_n[:-1]) / 2)])
    last = time_s[-1] - width_s
    starts = np.unique(np.clip(np.concatenate([time_s, time_s - width_s]), time_s[0], last))
    # Between these the mean is a parabola; its top is where the force at both ends of the window is equal.
    rise = np.interp(starts + width_s, time_s, force_n) - np.interp(starts, time_s, force_n)
    top = (rise[:-1] > 0) & (rise[1:] < 0)
    share = rise[:-1][top] / (rise[:-1] - rise[1:])[top]
    starts = np.concatenate([starts, starts[:-1][top] + share * np.diff(starts)[top]])
    areas = _area(starts + width_s, time_s, force_n, area) - _area(starts, time_s, force_n, area)
    return float(areas.max() / width_s)


def _area(at: Floats, time_s: Floats, force_n: Floats, area: Floats) -> Floats:
    """Integral of the piecewise linear force from the first sample to each time of `at`."""
    i = np.clip(np.searchsorted(time_s, at, side="right") - 1, 0, time_s.size - 2)
    here = np.interp(at, time_s, force_n)
    part: Floats = area[i] + (at - time_s[i]) * (force_n[i] + here) / 2
    return part


def mean_force(time_s: Floats, force_n: Floats) -> float:
    """Mean force over the time of the trace [N] (trapezoids); NaN for fewer than two samples."""
    if time_s.size < 2 or time_s[-1] <= time_s[0]:
        return float("nan")
    return float(np.trapezoid(force_n, time_s) / (time_s[-1] - time_s[0]))


def by_trace(offsets: Ints, measure: Callable[..., float], *columns: Floats) -> Floats:
    """`measure` of each trace. `offsets`: shape (k + 1,), where each of k traces begins and the last ends;
    `columns`: shape (n,) each, the traces laid end to end. Gives shape (k,)."""
    return np.array(
        [measure(*(c[a:b] for c in columns)) for a, b in pairwise(offsets)],
        dtype=np.float64,
    )

"""Numbers of one trace of a run: where it begins, its fastest stretch, its speed section by section.

Positions are as measured; only where the run begins is looked for in a smoothed one (`smoothing.smooth`).
Between samples the position is taken as a straight line, so nothing depends on where samples happen to fall.
"""

from __future__ import annotations

from collections.abc import Callable
from itertools import pairwise

import numpy as np
import numpy.typing as npt

from pipeline.numerics.smoothing import smooth

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]

STRETCH_M = 5.0
"""Length of the stretch that plateau velocity is the mean over [m] (methods, B5)."""
WINDOW_S = 0.5
"""Width of the window that the fastest half second is the mean over [s] (methods, B5)."""
SMOOTH_S = 0.1
"""Width of the centred moving mean in which the start is looked for [s]; common practice, no source."""
_STEPS_M = (0.25, 1.0, 2.25)  # their roots are 1, 2 and 3 halves of a root metre
_FIRST_S = 0.15
_REST_S = (1.5, 0.6)  # rest is looked for in this span before the first quarter metre


def first_reached(time_s: Floats, position_m: Floats) -> tuple[Floats, Floats]:
    """Times and places, both rising: a place is passed when first reached, falling back is passed over."""
    reached = np.maximum.accumulate(position_m)
    forward = np.empty(reached.size, dtype=np.bool_)
    forward[:1] = True
    np.greater(reached[1:], reached[:-1], out=forward[1:])
    return time_s[forward], reached[forward]


def fastest_stretch(time_s: Floats, position_m: Floats, length_m: float = STRETCH_M) -> float:
    """Highest mean velocity [m/s] over `length_m` of running; NaN where the run is shorter.

    `time_s`, `position_m`: shape (n,), in order of time.
    """
    begin, end = stretch_span(time_s, position_m, length_m)
    return float(length_m / (end - begin)) if end > begin else float("nan")


def stretch_span(time_s: Floats, position_m: Floats, length_m: float = STRETCH_M) -> tuple[float, float]:
    """When the fastest `length_m` begin and end [s]; NaN where the run is shorter."""
    t, x = first_reached(time_s, position_m)
    # The time that a stretch takes is piecewise linear in its start: the shortest begins or ends at a sample.
    begins = int(np.searchsorted(x, x[-1] - length_m, side="right"))
    ends = int(np.searchsorted(x, x[0] + length_m, side="left"))
    if begins == 0:
        return float("nan"), float("nan")
    after = np.interp(x[:begins] + length_m, x, t)
    best = int((after - t[:begins]).argmin())
    span = float(t[best]), float(after[best])
    if ends < x.size:
        before = np.interp(x[ends:] - length_m, x, t)
        best = int((t[ends:] - before).argmin())
        if t[ends + best] - before[best] < span[1] - span[0]:
            span = float(before[best]), float(t[ends + best])
    return span


def fastest_window(time_s: Floats, position_m: Floats, width_s: float = WINDOW_S) -> tuple[float, float]:
    """Highest mean velocity [m/s] over any `width_s`, and when that window ends [s]; NaN for a shorter trace.

    `time_s`, `position_m`: shape (n,), in order of time.
    """
    if time_s.size < 2 or time_s[-1] - time_s[0] < width_s:
        return float("nan"), float("nan")
    last = int(np.searchsorted(time_s, time_s[-1] - width_s, side="right"))
    first = int(np.searchsorted(time_s, time_s[0] + width_s, side="left"))
    # The way in a window is piecewise linear in its start: the longest begins or ends at a sample.
    ahead = np.interp(time_s[:last] + width_s, time_s, position_m) - position_m[:last]
    behind = position_m[first:] - np.interp(time_s[first:] - width_s, time_s, position_m)
    a, b = int(ahead.argmax()), int(behind.argmax())
    if ahead[a] >= behind[b]:
        return float(ahead[a] / width_s), float(time_s[a] + width_s)
    return float(behind[b] / width_s), float(time_s[first + b])


def start_of_movement(time_s: Floats, position_m: Floats) -> tuple[float, float]:
    """When [s] and where [m] the run begins; NaN for a run of less than 2.25 m.

    From rest a place is reached in a time that is nearly straight in the root of its distance. So the times
    at which the run is 0.25, 1 and 2.25 m past its place at rest are drawn on to 0 by a parabola in that
    root: own derivation; for a mono-exponential sprint it is 1 to 4 ms late. That place is the mean over
    1.5 to 0.6 s before the first quarter metre, so a drift while waiting is no start; without such samples
    it is the first one. Of a run that had begun before its first sample this is no start: see `first_speed`.
    """
    # Only the first metres are looked at, and as much more as the smoothing reaches.
    far = int(np.argmax(position_m > position_m[0] + 2 * _STEPS_M[-1]))
    if far:
        far = int(np.searchsorted(time_s, time_s[far] + SMOOTH_S))
        time_s, position_m = time_s[:far], position_m[:far]
    place = smooth(time_s, position_m, SMOOTH_S)
    t, x = first_reached(time_s, place)
    if x[-1] - x[0] < _STEPS_M[-1]:
        return float("nan"), float("nan")
    off = np.interp(x[0] + _STEPS_M[0], x, t)
    resting = place[(time_s >= off - _REST_S[0]) & (time_s <= off - _REST_S[1])]
    level = float(resting.mean()) if resting.size else float(x[0])
    if x[-1] < level + _STEPS_M[-1]:
        return float("nan"), float("nan")
    one, two, three = np.interp([level + step for step in _STEPS_M], x, t)
    return float(3 * one - 3 * two + three), level


def first_speed(time_s: Floats, position_m: Floats) -> float:
    """Mean velocity [m/s] over the first 0.15 s of the trace: who begins at rest then is hardly at 0.75."""
    if time_s.size < 2 or time_s[-1] - time_s[0] < _FIRST_S:
        return float("nan")
    way = np.interp(time_s[0] + _FIRST_S, time_s, position_m) - position_m[0]
    return float(way / _FIRST_S)


def even_steps(
    time_s: Floats,
    position_m: Floats,
    start_s: float,
    start_m: float,
    until_s: float,
    step_s: float,
    most: int,
) -> Floats:
    """Positions [m] from the start of the run every `step_s` after it, NaN beyond `until_s`: (most,)."""
    at = start_s + step_s * np.arange(1, most + 1)
    place = np.interp(at, time_s, position_m) - start_m
    return np.where(at <= until_s, place, np.nan)


def section_speeds(
    time_s: Floats, position_m: Floats, start_s: float, start_m: float, length_m: float = STRETCH_M
) -> Floats:
    """Mean velocity [m/s] of each full section of `length_m` from the start of the run: (sections,).

    `start_s`, `start_m`: as `start_of_movement` gives them.
    """
    t, x = first_reached(time_s, position_m)
    count = max(int(np.floor((x[-1] - start_m) / length_m + 1e-9)), 0) if np.isfinite(start_s) else 0
    passed = np.interp(start_m + length_m * np.arange(count + 1), x, t)
    passed[0] = start_s
    return np.asarray(length_m / (passed[1:] - passed[:-1]))


def by_trace(offsets: Ints, measure: Callable[..., float | tuple[float, ...]], *columns: Floats) -> Floats:
    """`measure` of each trace. `offsets`: shape (k + 1,), where each of k traces begins and the last ends;
    `columns`: shape (n,) each, the traces laid end to end. Gives shape (k,); (k, m) for m numbers a trace."""
    return np.array(
        [measure(*(c[a:b] for c in columns)) for a, b in pairwise(offsets)],
        dtype=np.float64,
    )

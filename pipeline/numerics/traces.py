"""Numbers of traces of runs: where each begins, its fastest stretch, its speed section by section.

Positions are as measured; only where a run begins is looked for in a smoothed one (`smoothing.smooth`).
Between samples the position is taken as a straight line, so nothing depends on where samples happen to fall.
A run is a function of `laid.Laid`: position [m] over time [s]. All runs are measured at once.
"""

from __future__ import annotations

import numpy as np

from pipeline.numerics.laid import ONE_PLACE, Floats, Laid, end_to_end, length_on_grid
from pipeline.numerics.smoothing import smooth

STRETCH_M = 5.0
"""Length of the stretch that plateau velocity is the mean over [m] (methods, B5)."""
WINDOW_S = 0.5
"""Width of the window that the fastest half second is the mean over [s] (methods, B5)."""
SMOOTH_S = 0.1
"""Width of the centred moving mean in which the start is looked for [s]; common practice, no source."""
_STEPS_M = np.array([0.25, 1.0, 2.25])  # their roots are 1, 2 and 3 halves of a root metre
_FIRST_S = 0.15
_REST_S = (1.5, 0.6)  # rest is looked for in this span before the first quarter metre


def first_reached(runs: Laid) -> Laid:
    """Time [s] over place [m], both rising: a place is passed when first reached, falling back is not."""
    reached = np.maximum.accumulate(end_to_end(runs.value, runs.offsets))
    return Laid(runs.value, runs.at, runs.offsets).kept(np.diff(reached, prepend=-1.0) > 0)


def fastest_stretch(passed: Laid, length_m: float = STRETCH_M) -> tuple[Floats, Floats]:
    """When the fastest `length_m` of each run begin and end [s]: (k,) each; NaN where the run is shorter.

    `passed`: as `first_reached` gives it.
    """
    begin, end = _steepest(Laid(passed.at, -passed.value, passed.offsets), length_m)
    return passed.value_at(begin), passed.value_at(end)


def fastest_window(runs: Laid, width_s: float = WINDOW_S) -> tuple[Floats, Floats]:
    """Highest mean velocity [m/s] over any `width_s`, and when that window ends [s]: (k,) each.

    NaN for a trace that is shorter.
    """
    begin, end = _steepest(runs, width_s)
    until_s = runs.at[runs.first] + (end - runs.axis[runs.first])
    return (runs.value_at(end) - runs.value_at(begin)) / width_s, until_s


def _steepest(laid: Laid, width: float) -> tuple[Floats, Floats]:
    """Where on the axis the stretch of `width` begins and ends in which each function rises most: (k,) each.

    The rise is a piecewise straight line over where the stretch begins, so the highest begins or ends at a
    point. NaN where a function is shorter than `width`.
    """
    axis, value, width = laid.axis, laid.value, length_on_grid(width)
    first, last = axis[laid.first], axis[laid.last]
    ahead = laid.value_at(np.minimum(axis + width, laid.spread(last))) - value
    ahead[axis > laid.spread(last - width + ONE_PLACE)] = -np.inf
    behind = value - laid.value_at(np.maximum(axis - width, laid.spread(first)))
    behind[axis < laid.spread(first + width - ONE_PLACE)] = -np.inf
    best = laid.first_highest(np.maximum(ahead, behind))
    forward = ahead[best] >= behind[best]
    begin = np.where(forward, axis[best], np.maximum(axis[best] - width, first))
    begin[last - first < width - ONE_PLACE] = np.nan
    return begin, np.minimum(begin + width, last)


def start_of_movement(runs: Laid) -> tuple[Floats, Floats]:
    """When [s] and where [m] each run begins: (k,) each; NaN for a run of less than 2.25 m.

    From rest a place is reached in a time that is nearly straight in the root of its distance. So the times
    at which the run is 0.25, 1 and 2.25 m past its place at rest are drawn on to 0 by a parabola in that
    root: own derivation; for a mono-exponential sprint it is 1 to 4 ms late. That place is the mean over
    1.5 to 0.6 s before the first quarter metre, so a drift while waiting is no start; without such samples
    it is the first one. Of a run that had begun before its first sample this is no start: see `first_speed`.
    """
    near = _first_metres(runs)
    place = smooth(near, SMOOTH_S)
    passed = first_reached(Laid(near.at, place, near.offsets))
    first, furthest = passed.at[passed.first], passed.at[passed.last]
    off = passed.value_at(passed.on_axis(first + _STEPS_M[0]))
    resting = (near.at >= near.spread(off - _REST_S[0])) & (near.at <= near.spread(off - _REST_S[1]))
    count = np.add.reduceat(resting, near.first, dtype=np.int64)
    total = np.add.reduceat(np.where(resting, place, 0.0), near.first)
    level = np.where(count > 0, total / np.maximum(count, 1), first)
    one, two, three = passed.value_at(passed.on_axis(level[:, None] + _STEPS_M)).T
    known = furthest - np.minimum(first, level) >= _STEPS_M[-1]
    return np.where(known, 3 * one - 3 * two + three, np.nan), np.where(known, level, np.nan)


def _first_metres(runs: Laid) -> Laid:
    """The part of each run in which its start is looked for, and as much more as the smoothing reaches."""
    far = runs.first_highest(runs.value > runs.spread(runs.value[runs.first] + 2 * _STEPS_M[-1]))
    until = np.where(far > runs.first, runs.axis[far] + length_on_grid(SMOOTH_S), np.inf)
    return runs.kept(runs.axis < runs.spread(until))


def first_speed(runs: Laid) -> Floats:
    """Mean velocity [m/s] over the first 0.15 s: (k,). Who begins at rest then is hardly at 0.75."""
    first, last = runs.axis[runs.first], runs.axis[runs.last]
    way = runs.value_at(first + length_on_grid(_FIRST_S)) - runs.value[runs.first]
    return np.where(last - first < _FIRST_S, np.nan, way / _FIRST_S)


def even_steps(
    runs: Laid, start_s: Floats, start_m: Floats, until_s: Floats, step_s: float, most: int
) -> Floats:
    """Positions [m] from the start of each run every `step_s` after it, NaN beyond `until_s`: (k, most).

    `start_s`, `start_m`, `until_s`: (k,), NaN where not known.
    """
    at = start_s[:, None] + step_s * np.arange(1, most + 1)
    at[~(at <= until_s[:, None])] = np.nan
    return runs.value_at(runs.on_axis(at)) - start_m[:, None]


def section_speeds(passed: Laid, start_s: Floats, start_m: Floats, length_m: float = STRETCH_M) -> Floats:
    """Mean velocity [m/s] of each full section of `length_m` from the start of each run: (k, most sections).

    NaN where a run has fewer. `passed`: as `first_reached` gives it; `start_s`, `start_m`: as
    `start_of_movement` gives them.
    """
    full = np.floor((passed.at[passed.last] - start_m) / length_m + 1e-9)
    count = np.where(np.isfinite(start_s), full, 0)
    most = int(count.max(initial=0))
    ends = start_m[:, None] + length_m * np.arange(most + 1)
    reached = passed.value_at(passed.on_axis(ends))
    reached[:, 0] = start_s
    return length_m / np.where(np.arange(most) < count[:, None], np.diff(reached, axis=1), np.nan)

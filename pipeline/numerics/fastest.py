"""The fastest stretch and the fastest half second of each run, all runs at once.

Between samples a run is a straight line. Only stretches that may be the fastest are worked out: it takes less
to tell that the others are not, and leaving them out changes no digit.
"""

from __future__ import annotations

import numpy as np

from pipeline.numerics.laid import ONE_PLACE, Floats, Ints, Laid, length_on_grid
from pipeline.numerics.windows import EVEN_S, in_order, windows

STRETCH_M = 5.0
"""Length of the stretch that plateau velocity is the mean over [m] (methods, B5)."""
WINDOW_S = 0.5
"""Width of the window that the fastest half second is the mean over [s] (methods, B5)."""
_EVERY = 16  # samples from one stretch that is timed first to the next
_MICROMETRE = 1e-6


def fastest_stretch(way: Laid, time_s: Floats, length_m: float = STRETCH_M) -> tuple[Floats, Floats]:
    """When the fastest `length_m` of each run begin and end [s]: (k,) each; NaN where the run is shorter.

    `way`, `time_s`: as `traces.first_reached` gives them.
    """
    begin, end = _steepest(way, -time_s, length_m, _quick(way, time_s, length_m))
    return way.value_at(begin, time_s), way.value_at(end, time_s)


def _quick(way: Laid, time_s: Floats, length: float) -> tuple[Ints, Ints]:
    """Samples that the fastest stretch of each run may begin with, or end with, in order."""
    length = length_on_grid(length)
    # Some stretches are timed. So many samples take longer than the quickest of them: wherever a run is as
    # fast, it goes as far in them.
    count = -(-way.sizes // _EVERY)
    some = np.repeat(way.first - _EVERY * (np.cumsum(count) - count), count)
    some += _EVERY * np.arange(some.size)
    own = way.kept(some)
    took = way.value_at(np.minimum(own.axis + length, own.spread(way.ends)), time_s) - time_s[some]
    took[own.axis > own.spread(way.ends - length)] = np.inf
    with np.errstate(divide="ignore", invalid="ignore"):
        steps = np.minimum.reduceat(took, own.first) / way.over_steps(np.minimum, way.moves(time_s))
    long = np.where(steps < way.sizes, np.floor(steps) + 1, way.sizes).astype(np.int64)
    far = np.arange(time_s.size) + way.spread(long)
    np.minimum(far, way.spread(way.last), out=far)
    enough = length - _MICROMETRE  # more than what rounding takes
    some = np.flatnonzero(way.axis[far] - way.axis >= enough)
    # All of runs in which one may end before so many samples, and of those that are too short.
    early = way.axis[np.minimum(way.first + long - 1, way.last)] - way.begins >= enough
    all_of = np.flatnonzero(way.spread(early | (way.ends - way.begins < enough)))
    return in_order(some, all_of), in_order(far[some], all_of)


def fastest_window(clock: Laid, position_m: Floats, width_s: float = WINDOW_S) -> tuple[Floats, Floats]:
    """Highest mean velocity [m/s] over any `width_s`, and when that window ends [s]: (k,) each.

    NaN for a trace that is shorter.
    """
    begin, end = _steepest(clock, position_m, width_s, _steep(clock, position_m, width_s))
    return (clock.value_at(end, position_m) - clock.value_at(begin, position_m)) / width_s, end - clock.shift


def _steep(clock: Laid, values: Floats, width: float) -> tuple[Ints, Ints]:
    """Samples that the window of greatest rise of each trace may begin with, or end with, in order."""
    tried = windows(clock, length_on_grid(width))
    rise = tried.change(values)
    # Lines between samples are no steeper than the most that a trace moves in the shortest of its steps.
    with np.errstate(divide="ignore", invalid="ignore"):
        slack = 2 * EVEN_S * clock.over_steps(np.maximum, np.abs(clock.moves(values))) / clock.least_step
    return tried.worth_a_look(rise, rise, slack)


def _steepest(
    laid: Laid, values: Floats, width: float, looked_at: tuple[Ints, Ints]
) -> tuple[Floats, Floats]:
    """Where on the axis the stretch of `width` in which each rises most begins and ends: (k,) each.

    The rise is a piecewise straight line over where the stretch begins, so the highest begins or ends at a
    sample. `looked_at`: samples that it may begin with, and those that it may end with, in order, at least
    one each of each trace. NaN where a trace is shorter than `width`.
    """
    width, first, last = length_on_grid(width), laid.begins, laid.ends
    i, j = looked_at
    own = laid.kept(i)
    ahead = laid.value_at(np.minimum(own.axis + width, own.spread(last)), values) - values[i]
    ahead[own.axis > own.spread(last - width + ONE_PLACE)] = -np.inf
    best = own.first_highest(ahead)
    i, ahead = i[best], ahead[best]
    own = laid.kept(j)
    behind = values[j] - laid.value_at(np.maximum(own.axis - width, own.spread(first)), values)
    behind[own.axis < own.spread(first + width - ONE_PLACE)] = -np.inf
    best = own.first_highest(behind)
    j, behind = j[best], behind[best]
    at_sample = (ahead > behind) | ((ahead == behind) & (i <= j))
    begin = np.where(at_sample, laid.axis[i], np.maximum(laid.axis[j] - width, first))
    begin[last - first < width - ONE_PLACE] = np.nan
    return begin, np.minimum(begin + width, last)

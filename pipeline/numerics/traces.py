"""Numbers of traces of runs: where each begins, when it passes places, its speed section by section.

Positions are as measured; only where a run begins is looked for in a smoothed one (`smoothing.smooth`).
Between samples the position is taken as a straight line, so nothing depends on where samples happen to fall.
All runs are measured at once: `clock` is their time [s], laid end to end, and `position_m` has shape (n,).
"""

from __future__ import annotations

import numpy as np

from pipeline.numerics.fastest import STRETCH_M
from pipeline.numerics.laid import ONE_PLACE, Floats, Laid, lay, length_on_grid
from pipeline.numerics.smoothing import smooth

SMOOTH_S = 0.1
"""Width of the centred moving mean in which the start is looked for [s]; common practice, no source."""
_STEPS_M = np.array([0.25, 1.0, 2.25])  # their roots are 1, 2 and 3 halves of a root metre
_FIRST_S = 0.15
_REST_S = (1.5, 0.6)  # rest is looked for in this span before the first quarter metre


def first_reached(clock: Laid, position_m: Floats) -> tuple[Laid, Floats]:
    """Places, and times [s] at them, both rising: a place is passed when first reached."""
    places = lay(position_m, clock.offsets)
    reached = np.fmax.accumulate(places.axis)  # faster than np.maximum
    forward = np.ones(reached.size, dtype=np.bool_)
    np.greater(reached[1:], reached[:-1], out=forward[1:])
    passed = np.flatnonzero(forward)
    way = places.kept(passed)
    return way, clock.axis[passed] - way.spread(clock.shift)


def start_of_movement(clock: Laid, position_m: Floats) -> tuple[Floats, Floats]:
    """When [s] and where [m] each run begins: (k,) each; NaN for a run of less than 2.25 m.

    From rest a place is reached in a time that is nearly straight in the root of its distance. So the times
    at which the run is 0.25, 1 and 2.25 m past its place at rest are drawn on to 0 by a parabola in that
    root: own derivation; for a mono-exponential sprint it is 1 to 4 ms late. That place is the mean over
    1.5 to 0.6 s before the first quarter metre, so a drift while waiting is no start; without such samples
    it is the first one. Of a run that had begun before its first sample this is no start: see `first_speed`.
    """
    looked_at = np.flatnonzero(clock.axis <= clock.spread(_known_by(clock, position_m)))
    clock = clock.kept(looked_at)
    place = smooth(clock, position_m[looked_at], SMOOTH_S)
    way, time_s = first_reached(clock, place)
    first = place[clock.first]
    off = clock.on_axis(way.value_of(first + _STEPS_M[0], time_s))
    long, short = _REST_S
    resting = (clock.axis >= clock.spread(off - long)) & (clock.axis <= clock.spread(off - short))
    count = np.add.reduceat(resting, clock.first, dtype=np.int64)
    total = np.add.reduceat(np.where(resting, place, 0.0), clock.first)
    level = np.where(count > 0, total / np.maximum(count, 1), first)
    one, two, three = way.value_of(level[:, None] + _STEPS_M, time_s).T
    known = way.ends - way.shift - np.minimum(first, level) >= _STEPS_M[-1]
    return np.where(known, 3 * one - 3 * two + three, np.nan), np.where(known, level, np.nan)


def _known_by(clock: Laid, position_m: Floats) -> Floats:
    """By where on the axis the start of each run is known, whatever comes later: (k,); inf if never.

    That is by when the smoothed place is 2.25 m past rest, which is at most a quarter metre past the first:
    for the width of the smoothing all places have been 2.5 m past it then. At the latest it is soon after the
    first that is 4.5 m past it.
    """
    away = position_m - clock.spread(position_m[clock.first])
    # No first sample is past itself, so whatever is comes with one that is after one that is not.
    past = away > _STEPS_M[0] + _STEPS_M[-1]
    leaves = np.append(0, np.flatnonzero(past[1:] > past[:-1]) + 1)
    past = away > 2 * _STEPS_M[-1]
    reaches = np.append(np.flatnonzero(past[1:] > past[:-1]) + 1, away.size)
    far = reaches[np.searchsorted(reaches, clock.first)]
    found, far = far <= clock.last, np.minimum(far, clock.last)
    since = clock.axis[leaves[np.searchsorted(leaves, far, side="right") - 1]]
    width, far_s = length_on_grid(SMOOTH_S), clock.axis[far]
    sure = since + width + 2 * clock.longest_step
    return np.where(found, np.where(sure <= far_s, sure, far_s + width), np.inf)


def first_speed(clock: Laid, position_m: Floats) -> Floats:
    """Mean velocity [m/s] over the first 0.15 s: (k,). Who begins at rest then is hardly at 0.75."""
    until = clock.begins + length_on_grid(_FIRST_S)
    speed = (clock.value_at(np.minimum(until, clock.ends), position_m) - position_m[clock.first]) / _FIRST_S
    return np.where(until > clock.ends + ONE_PLACE, np.nan, speed)


def even_steps(
    clock: Laid,
    position_m: Floats,
    start_s: Floats,
    start_m: Floats,
    until_s: Floats,
    step_s: float,
    most: int,
) -> Floats:
    """Positions [m] from the start of each run every `step_s` after it, NaN beyond `until_s`: (k, steps).

    `start_s`, `start_m`, `until_s`: (k,), NaN where not known. Steps: those of the longest run, `most`
    at the most.
    """
    longest = np.max(until_s - start_s, where=until_s > start_s, initial=0.0)
    at = start_s[:, None] + step_s * np.arange(1, min(int(longest / step_s) + 1, most) + 1)
    at[~(at <= until_s[:, None])] = np.nan
    return clock.value_of(at, position_m) - start_m[:, None]


def section_speeds(
    way: Laid, time_s: Floats, start_s: Floats, start_m: Floats, length_m: float = STRETCH_M
) -> Floats:
    """Mean velocity [m/s] of each full section of `length_m` from the start of each run: (k, most sections).

    NaN where a run has fewer. `way`, `time_s`: as `first_reached` gives them; `start_s`, `start_m`: as
    `start_of_movement` gives them.
    """
    full = np.floor((way.ends - way.shift - start_m) / length_m + 1e-9)
    count = np.where(np.isfinite(start_s), full, 0.0)
    most = int(count.max(initial=0.0))
    passed = way.value_of(start_m[:, None] + length_m * np.arange(most + 1), time_s)
    passed[:, 0] = start_s
    return length_m / np.where(np.arange(most) < count[:, None], np.diff(passed, axis=1), np.nan)

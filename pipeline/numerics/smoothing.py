"""The one way in which traces are smoothed, and means of a force over time; all traces at once."""

from __future__ import annotations

import numpy as np

from pipeline.numerics.laid import ONE_PLACE, Floats, Ints, Laid, length_on_grid
from pipeline.numerics.windows import EVEN_S, windows

PEAK_SECONDS = 0.1
"""Width of the moving mean whose highest value is the peak force [s]; common practice, no source."""


def smooth(clock: Laid, values: Floats, width_s: float) -> Floats:
    """Centred moving mean over `width_s`, the values taken as straight lines between samples: (n,) -> (n,).

    The window reaches as far back as ahead, also near the ends, where it narrows to nothing; so a straight
    line stays as it is and nothing comes earlier or later (no phase shift). A wave of frequency f is lowered
    by sin(pi f w) / (pi f w); for 0.1 s half is left at 6.0 Hz.
    """
    axis, running = clock.axis, clock.accumulate(np.add, trapezoids(clock, values)[:-1])
    half = np.minimum(axis - clock.spread(clock.begins), clock.spread(clock.ends) - axis)
    np.minimum(half, length_on_grid(width_s) / 2, out=half)
    with np.errstate(divide="ignore", invalid="ignore"):  # no window ends between samples of one time
        slope = np.append((values[1:] - values[:-1]) / (axis[1:] - axis[:-1]), 0.0)
    smoothed = _area_until(clock, values, slope, running, axis + half)
    smoothed -= _area_until(clock, values, slope, running, axis - half)
    half *= 2
    return np.divide(smoothed, half, out=values.copy(), where=half > 0)


def peak_force(
    clock: Laid, force_n: Floats, width_s: float = PEAK_SECONDS, parts: Floats | None = None
) -> Floats:
    """Highest mean force [N] over any `width_s` of each trace: (k,); NaN where the trace is shorter.

    `force_n`: shape (n,); `parts`: its `trapezoids`, where they are known. Between samples the force is taken
    as a straight line, so uneven steps do not weigh more, and the result does not depend on where samples
    happen to fall.
    """
    width = length_on_grid(width_s)
    running = clock.accumulate(np.add, (trapezoids(clock, force_n) if parts is None else parts)[:-1])
    first, last = _forceful(clock, force_n, running, width)
    # Windows that begin at a sample.
    own = clock.kept(first)
    axis, of = own.axis, own.owner
    until = axis + width
    end = np.minimum(until, own.spread(clock.ends))
    whole = axis <= own.spread(clock.ends - width + ONE_PLACE)
    j, to_n, area = _until(clock, force_n, running, end)
    area -= running[first]
    area[~whole] = -np.inf
    greatest = np.maximum.reduceat(area, own.first)
    # Windows that end at a sample, where none of the former does.
    ended = np.zeros(force_n.size, dtype=np.bool_)
    ended[j[whole & (clock.axis[j] >= until - ONE_PLACE)]] = True
    own = clock.kept(last)
    rest = np.flatnonzero((own.axis >= own.spread(clock.begins + width)) & ~ended[last])
    last, begin, whose = last[rest], own.axis[rest] - width, own.owner[rest]
    i, from_n, before = _until(clock, force_n, running, begin)
    other = running[last] - before
    with np.errstate(invalid="ignore"):  # a trace with a hole comes to NaN
        np.maximum.at(greatest, whose, other)
    pairs = (
        (of, whose),
        (first, i),
        (j, last),
        (axis, begin),
        (end, clock.axis[last]),
        (force_n[first], from_n),
        (to_n, force_n[last]),
        (area, other),
    )
    _move_on(clock, force_n, greatest, *(np.concatenate(pair) for pair in pairs))
    return np.where(clock.ends - clock.begins < width - ONE_PLACE, np.nan, greatest / width)


def _forceful(clock: Laid, force: Floats, running: Floats, width: float) -> tuple[Ints, Ints]:
    """Samples that the window with the greatest area of each trace may begin near, and may end near."""
    tried = windows(clock, width)
    area = tried.change(running)
    # Moved on until begin or end meets the next sample, a window gains less than half the rise times the way.
    most = tried.change(force)
    np.maximum(most, 0.0, out=most)
    most *= clock.steps
    most /= 2
    most += area
    # One that is off by EVEN_S has at most that much more of the greatest force, and of the steepest rise.
    top, least = np.maximum.reduceat(force, clock.first), np.minimum.reduceat(force, clock.first)
    with np.errstate(divide="ignore", invalid="ignore"):
        steep = (top - least) * clock.longest_step / clock.least_step
    return tried.worth_a_look(area, most, EVEN_S * (2 * np.maximum(top, -least) + steep))


def _move_on(
    clock: Laid,
    force: Floats,
    greatest: Floats,
    of: Ints,
    i: Ints,
    j: Ints,
    begin: Floats,
    end: Floats,
    from_n: Floats,
    to_n: Floats,
    area: Floats,
) -> None:
    """Raise the `greatest` area [N s] of each trace, (k,), to that of windows moved on from where they are.

    Windows: the trace that each is `of`; the samples at or before begin and end, or `ONE_PLACE` after; begin
    and end on the axis; the force there.
    """
    axis = clock.axis
    # Until begin or end meets the next sample the area is a parabola; its top, where the force is the same at
    # both, is higher by less than half the rise times the way. So hardly any have to be looked at.
    rise, last = to_n - from_n, clock.last[of]
    way = np.minimum(axis[np.minimum(i + 1, last)] - begin, axis[np.minimum(j + 1, last)] - end)
    few = np.flatnonzero((rise > 0) & (area + rise * way / 2 > greatest[of]))
    rise, way = rise[few], way[few]
    later = clock.value_at(end[few] + way, force) - clock.value_at(begin[few] + way, force)
    gained = np.where(later < 0, rise**2 / (rise - np.minimum(later, 0.0)) * way / 2, 0.0)
    np.maximum.at(greatest, of[few], area[few] + gained)


def mean_force(clock: Laid, force_n: Floats, parts: Floats | None = None) -> Floats:
    """Mean force over the time of each trace [N] (trapezoids): (k,); NaN for fewer than two samples.

    `parts`: as for `peak_force`.
    """
    lasted = clock.ends - clock.begins
    parts = trapezoids(clock, force_n) if parts is None else parts
    return _sums(parts, clock.first, clock.last) / np.where(lasted > 0, lasted, np.nan)


def mean_between(
    clock: Laid, force_n: Floats, begin_s: Floats, end_s: Floats, parts: Floats | None = None
) -> Floats:
    """Mean force [N] of each trace from `begin_s` to `end_s`, both within it: (k,) each -> (k,).

    NaN where one of them is NaN, where they are one, or where a force between them is NaN. `parts`: as for
    `peak_force`.
    """
    begin, end = clock.on_axis(begin_s), clock.on_axis(end_s)
    known = end > begin
    begin, end = np.where(known, begin, clock.begins), np.where(known, end, clock.begins)
    i, j = clock.before(begin), clock.before(end)
    area = _sums(trapezoids(clock, force_n) if parts is None else parts, i, j)
    area = area + _after(clock, force_n, j, end) - _after(clock, force_n, i, begin)
    return np.asarray(area / np.where(known, end - begin, np.nan))


def _sums(parts: Floats, i: Ints, j: Ints) -> Floats:
    """Integral of each trace from sample `i` to `j`, in order, of its `trapezoids`."""
    # Every other of these sums; of an empty stretch, reduceat gives the number behind it.
    sums = np.add.reduceat(parts, np.column_stack([i + 1, j + 1]).ravel())[::2]
    return np.where(j > i, sums, 0.0)


def trapezoids(clock: Laid, values: Floats) -> Floats:
    """Integral from the sample before to each one, 0 at the first of a trace, and 0 once more: (n + 1,)."""
    parts = np.zeros(values.size + 1)
    between = parts[1:-1]
    np.add(values[1:], values[:-1], out=between)
    between *= clock.steps[:-1]
    between /= 2
    parts[clock.first] = 0.0
    return parts


def _until(clock: Laid, values: Floats, running: Floats, axis: Floats) -> tuple[Ints, Floats, Floats]:
    """Of places on the axis: the last sample not more than `ONE_PLACE` after each, the value there, and the
    integral from the first sample of the trace."""
    i, value = clock.before(axis + ONE_PLACE), clock.value_at(axis, values)
    area = values[i]
    area += value
    area *= axis - clock.axis[i]
    area /= 2
    area += running[i]
    return i, value, area


def _area_until(clock: Laid, values: Floats, slope: Floats, running: Floats, axis: Floats) -> Floats:
    """Integral of each trace from its first sample to places on the axis; `slope`: behind each sample."""
    i = clock.before(axis)
    way, value = axis - clock.axis[i], values[i]
    area = slope[i]
    area *= way
    area += value
    area += value
    area *= way
    area /= 2
    area += running[i]
    return area


def _after(clock: Laid, values: Floats, i: Ints, axis: Floats) -> Floats:
    """Integral from sample `i` to places on the axis, each before the next sample."""
    return np.asarray((axis - clock.axis[i]) * (values[i] + clock.value_behind(i, axis, values)) / 2)

"""The one way in which traces are smoothed, and means of a force over time; all traces at once."""

from __future__ import annotations

import numpy as np

from pipeline.numerics.laid import ONE_PLACE, Floats, Ints, Laid, accumulate, length_on_grid

PEAK_SECONDS = 0.1
"""Width of the moving mean whose highest value is the peak force [s]; common practice, no source."""


def smooth(laid: Laid, width_s: float) -> Floats:
    """Centred moving mean over `width_s`, the values taken as straight lines between samples: (n,).

    The window reaches as far back as ahead, also near the ends, where it narrows to nothing; so a straight
    line stays as it is and nothing comes earlier or later (no phase shift). A wave of frequency f is lowered
    by sin(pi f w) / (pi f w); for 0.1 s half is left at 6.0 Hz.
    """
    axis, area, width = laid.axis, _running_area(laid), length_on_grid(width_s)
    begin, end = laid.spread(axis[laid.first]), laid.spread(axis[laid.last])
    half = np.minimum(width / 2, np.minimum(axis - begin, end - axis))
    inside = half > 0
    at, reach = axis[inside], half[inside]
    smoothed = laid.value.copy()
    smoothed[inside] = (_area(laid, area, at + reach) - _area(laid, area, at - reach)) / (2 * reach)
    return smoothed


def peak_force(force: Laid, width_s: float = PEAK_SECONDS) -> Floats:
    """Highest mean force [N] over any `width_s` of each trace: (k,); NaN where the trace is shorter than that.

    `force`: [N] over time [s]. Between samples the force is taken as a straight line, so uneven steps do not
    weigh more, and the result does not depend on where samples happen to fall.
    """
    axis, width = force.axis, length_on_grid(width_s)
    first, last = axis[force.first], axis[force.last]
    # Windows that begin at a sample, and those that end at one where none of the former does.
    begins = np.flatnonzero(axis <= force.spread(last - width + ONE_PLACE))
    ends = force.before(axis[begins] + width + ONE_PLACE)
    rest = axis >= force.spread(first + width)
    rest[ends[axis[ends] >= axis[begins] + width - ONE_PLACE]] = False
    others = np.flatnonzero(rest)
    begin = np.concatenate([axis[begins], axis[others] - width])
    i = np.concatenate([begins, force.before(begin[begins.size :] + ONE_PLACE)])
    area = _greatest_area(force, i, begin, np.concatenate([ends, others]), width)
    return np.where(last - first < width - ONE_PLACE, np.nan, area / width)


def _greatest_area(force: Laid, i: Ints, begin: Floats, j: Ints, width: float) -> Floats:
    """Greatest area [N s] under each trace in windows from `begin`, and moved on from there: (k,).

    `i` and `j`: the samples at or before begin and end, or `ONE_PLACE` after, which is taken for the same.
    """
    axis, running, of = force.axis, _running_area(force), force.owner[i]
    last = force.last[of]
    end = np.minimum(begin + width, axis[last])
    from_n, to_n = force.value_at(begin), force.value_at(end)
    areas = running[j] - running[i] + _after(force, j, end, to_n) - _after(force, i, begin, from_n)
    greatest = np.full(force.first.size, -np.inf)
    np.maximum.at(greatest, of, areas)
    # Until begin or end meets the next sample the area is a parabola; its top, where the force is the same at
    # both, is higher by less than half the rise times the way. So hardly any have to be looked at.
    rise = to_n - from_n
    way = np.minimum(axis[np.minimum(i + 1, last)] - begin, axis[np.minimum(j + 1, last)] - end)
    few = np.flatnonzero((rise > 0) & (areas + rise * way / 2 > greatest[of]))
    rise, way = rise[few], way[few]
    later = force.value_at(end[few] + way) - force.value_at(begin[few] + way)
    gained = np.where(later < 0, rise**2 / (rise - np.minimum(later, 0.0)) * way / 2, 0.0)
    np.maximum.at(greatest, of[few], areas[few] + gained)
    return greatest


def mean_force(force: Laid) -> Floats:
    """Mean force over the time of each trace [N] (trapezoids): (k,); NaN for fewer than two samples."""
    return _mean_between(force, force.axis[force.first], force.axis[force.last])


def mean_between(force: Laid, begin_s: Floats, end_s: Floats) -> Floats:
    """Mean force [N] of each trace from `begin_s` to `end_s`, both within it: (k,) each, (k,).

    NaN where one of them is NaN, where they are one, or where a sample between them is NaN.
    """
    return _mean_between(force, force.on_axis(begin_s), force.on_axis(end_s))


def _mean_between(force: Laid, begin: Floats, end: Floats) -> Floats:
    """As `mean_between`, of places on the axis."""
    i, j = force.before(begin), force.before(end)
    # The trapezoids from sample i to j are every other of these sums.
    sums = np.add.reduceat(np.append(_trapezoids(force), 0.0), np.column_stack([i + 1, j + 1]).ravel())[::2]
    to_end = _after(force, j, end, force.value_at(end))
    area = np.where(j > i, sums, 0.0) + to_end - _after(force, i, begin, force.value_at(begin))
    return area / np.where(end > begin, end - begin, np.nan)


def _trapezoids(laid: Laid) -> Floats:
    """Integral of each function from the point before to each one, 0 at its first: (n,)."""
    parts = np.zeros(laid.at.size)
    parts[1:] = (laid.axis[1:] - laid.axis[:-1]) * (laid.value[1:] + laid.value[:-1]) / 2
    parts[laid.first] = 0.0
    return parts


def _running_area(laid: Laid) -> Floats:
    """Integral of each function from its first point to each one: (n,)."""
    return accumulate(np.add, _trapezoids(laid), laid.offsets)


def _area(laid: Laid, area: Floats, axis: Floats) -> Floats:
    """Integral of each function from its first point to places on the axis; `area`: the running one."""
    i = laid.before(axis)
    return np.asarray(area[i] + _after(laid, i, axis, laid.value_at(axis)))


def _after(laid: Laid, i: Ints, axis: Floats, value: Floats) -> Floats:
    """Integral from point `i` to places on the axis, each before the next point, where the value is `value`."""
    return np.asarray((axis - laid.axis[i]) * (laid.value[i] + value) / 2)

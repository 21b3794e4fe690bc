"""The one way in which traces are smoothed, and means of a force over time; all traces at once."""

from __future__ import annotations

import numpy as np

from pipeline.numerics.laid import ONE_PLACE, Floats, Ints, Laid, length_on_grid

PEAK_SECONDS = 0.1
"""Width of the moving mean whose highest value is the peak force [s]; common practice, no source."""


def smooth(clock: Laid, values: Floats, width_s: float) -> Floats:
    """Centred moving mean over `width_s`, the values taken as straight lines between samples: (n,) -> (n,).

    The window reaches as far back as ahead, also near the ends, where it narrows to nothing; so a straight
    line stays as it is and nothing comes earlier or later (no phase shift). A wave of frequency f is lowered
    by sin(pi f w) / (pi f w); for 0.1 s half is left at 6.0 Hz.
    """
    to_ends = np.minimum(clock.axis - clock.spread(clock.begins), clock.spread(clock.ends) - clock.axis)
    half = np.minimum(length_on_grid(width_s) / 2, to_ends)
    inside = half > 0
    at, reach = clock.axis[inside], half[inside]
    running = _running_area(clock, values)
    whole = _area(clock, values, running, at + reach) - _area(clock, values, running, at - reach)
    smoothed = values.copy()
    smoothed[inside] = whole / (2 * reach)
    return smoothed


def peak_force(clock: Laid, force_n: Floats, width_s: float = PEAK_SECONDS) -> Floats:
    """Highest mean force [N] over any `width_s` of each trace: (k,); NaN where the trace is shorter.

    `force_n`: shape (n,). Between samples the force is taken as a straight line, so uneven steps do not weigh
    more, and the result does not depend on where samples happen to fall.
    """
    axis, width = clock.axis, length_on_grid(width_s)
    # Windows that begin at a sample, and those that end at one where none of the former does.
    i = np.flatnonzero(axis <= clock.spread(clock.ends - width + ONE_PLACE))
    j = clock.before(axis[i] + width + ONE_PLACE)
    rest = axis >= clock.spread(clock.begins + width)
    rest[j[axis[j] >= axis[i] + width - ONE_PLACE]] = False
    others = np.flatnonzero(rest)
    before = axis[others] - width
    area = _greatest_area(
        clock,
        force_n,
        np.concatenate([axis[i], before]),
        np.concatenate([force_n[i], clock.value_at(before, force_n)]),
        np.concatenate([i, clock.before(before + ONE_PLACE)]),
        np.concatenate([j, others]),
        width,
    )
    return np.where(clock.ends - clock.begins < width - ONE_PLACE, np.nan, area / width)


def _greatest_area(
    clock: Laid, force: Floats, begin: Floats, from_n: Floats, i: Ints, j: Ints, width: float
) -> Floats:
    """Greatest area [N s] under each trace in windows from `begin`, and moved on from there: (k,).

    `from_n`: the force at `begin`; `i`, `j`: the samples at or before begin and end, or `ONE_PLACE` after.
    """
    axis, running, of = clock.axis, _running_area(clock, force), clock.owner[i]
    end, last = np.minimum(begin + width, clock.ends[of]), clock.last[of]
    to_n = clock.value_at(end, force)
    areas = running[j] + (end - axis[j]) * (force[j] + to_n) / 2
    areas -= running[i] + (begin - axis[i]) * (force[i] + from_n) / 2
    greatest = np.full(clock.shift.size, -np.inf)
    with np.errstate(invalid="ignore"):  # a trace with a hole comes to NaN
        np.maximum.at(greatest, of, areas)
    # Until begin or end meets the next sample the area is a parabola; its top, where the force is the same at
    # both, is higher by less than half the rise times the way. So hardly any have to be looked at.
    rise = to_n - from_n
    way = np.minimum(axis[np.minimum(i + 1, last)] - begin, axis[np.minimum(j + 1, last)] - end)
    few = np.flatnonzero((rise > 0) & (areas + rise * way / 2 > greatest[of]))
    rise, way = rise[few], way[few]
    later = clock.value_at(end[few] + way, force) - clock.value_at(begin[few] + way, force)
    gained = np.where(later < 0, rise**2 / (rise - np.minimum(later, 0.0)) * way / 2, 0.0)
    np.maximum.at(greatest, of[few], areas[few] + gained)
    return greatest


def mean_force(clock: Laid, force_n: Floats) -> Floats:
    """Mean force over the time of each trace [N] (trapezoids): (k,); NaN for fewer than two samples."""
    return _mean_between(clock, force_n, clock.begins, clock.ends)


def mean_between(clock: Laid, force_n: Floats, begin_s: Floats, end_s: Floats) -> Floats:
    """Mean force [N] of each trace from `begin_s` to `end_s`, both within it: (k,) each -> (k,).

    NaN where one of them is NaN, where they are one, or where a force between them is NaN.
    """
    return _mean_between(clock, force_n, clock.on_axis(begin_s), clock.on_axis(end_s))


def _mean_between(clock: Laid, force: Floats, begin: Floats, end: Floats) -> Floats:
    """As `mean_between`, of places on the axis."""
    known = end > begin
    begin, end = np.where(known, begin, clock.begins), np.where(known, end, clock.begins)
    i, j = clock.before(begin), clock.before(end)
    # The trapezoids from sample i to j are every other of these sums.
    parts = np.append(_trapezoids(clock, force), 0.0)
    sums = np.add.reduceat(parts, np.column_stack([i + 1, j + 1]).ravel())[::2]
    area = np.where(j > i, sums, 0.0) + _after(clock, force, j, end) - _after(clock, force, i, begin)
    return np.asarray(area / np.where(known, end - begin, np.nan))


def _trapezoids(clock: Laid, values: Floats) -> Floats:
    """Integral from the sample before to each one, 0 at the first of a trace: (n,)."""
    parts = np.zeros(values.size)
    parts[1:] = (clock.axis[1:] - clock.axis[:-1]) * (values[1:] + values[:-1]) / 2
    parts[clock.first] = 0.0
    return parts


def _running_area(clock: Laid, values: Floats) -> Floats:
    """Integral of each trace from its first sample to each one: (n,)."""
    return clock.accumulate(np.add, _trapezoids(clock, values))


def _area(clock: Laid, values: Floats, running: Floats, axis: Floats) -> Floats:
    """Integral of each trace from its first sample to places on the axis."""
    i = clock.before(axis)
    return np.asarray(running[i] + _after(clock, values, i, axis))


def _after(clock: Laid, values: Floats, i: Ints, axis: Floats) -> Floats:
    """Integral from sample `i` to places on the axis, each before the next sample."""
    return np.asarray((axis - clock.axis[i]) * (values[i] + clock.value_at(axis, values)) / 2)

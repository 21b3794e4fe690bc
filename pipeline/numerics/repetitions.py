"""Repetitions in traces of a bar's height: where each is lowered and lifted, and how fast; all at once.

Smoothing is two moving means of `SMOOTH_S` of the velocity, both centred, so nothing is shifted in time. They
take less than 1 % off the peak of a lift that lasts 0.5 s.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise

import numpy as np
import numpy.typing as npt
from scipy.ndimage import uniform_filter1d

from pipeline.numerics.even_traces import Bools, EvenTraces, Floats, Ints, even_traces
from pipeline.numerics.laid import portions
from pipeline.numerics.physics import STANDARD_GRAVITY

SMOOTH_S = 0.05
"""Width of each of the two moving means [s]; judgement."""
MOVING_M_S = 0.06
"""A bar faster than this moves [m/s]; judgement."""
STANDS_M_S = 0.02
"""A lift begins and ends where the bar is slower than this [m/s]; judgement."""
LEAST_WAY_M = 0.03
"""A shorter way is a sway, no phase [m]; judgement."""
LEAST_LIFT_M = 0.10
"""A shorter lift is no repetition [m]; judgement."""
LIFT_SHARE = 0.6
"""A shorter lift than this share of the longest takes the bar off its hooks or bounces; judgement."""
GAP_S = 0.1
"""A lift with a longer gap between its samples has no peak and no propulsive velocity [s]; judgement."""


@dataclass(frozen=True)
class Repetitions:
    """The repetitions of all traces in order; every array has shape (repetitions,).

    `trace`: which trace each is of; `first`, `last`: indices of the samples from the start of lowering or
    lifting, whichever comes first, to the end of the other; `mean_m_s`, `peak_m_s`, `propulsive_m_s`:
    velocities of the lift, its peak and propulsive ones NaN where samples are missing (`gap`); `way_m`: its
    range of motion.
    """

    trace: Ints
    first: Ints
    last: Ints
    mean_m_s: Floats
    peak_m_s: Floats
    propulsive_m_s: Floats
    way_m: Floats
    gap: Bools


@dataclass(frozen=True)
class _Phases:
    """Stretches of samples in which a bar goes one way, (phases,) each, in order.

    `trace`; `direction`: 1 up, -1 down; `first`, `last`: indices of their moving samples.
    """

    trace: Ints
    direction: Ints
    first: Ints
    last: Ints

    def of(self, which: Bools) -> _Phases:
        return _Phases(self.trace[which], self.direction[which], self.first[which], self.last[which])


def find_repetitions(time_s: Floats, position_m: Floats, offsets: Ints) -> Repetitions:
    """The repetitions in traces: `time_s`, `position_m` of shape (n,), up is positive; NaN are left out.

    `offsets`: shape (k + 1,), where each trace begins and the last ends. What is in the other traces changes
    no digit of a repetition.
    A phase is a stretch in which the bar goes one way, with all pauses in it; a repetition is a lift of
    `LEAST_LIFT_M` and of `LIFT_SHARE` of the trace's longest, with the lowering before it, or after it where
    the first lift begins from rest. So taking the bar off its hooks and putting it back is none.
    Propulsive: until the bar is braked by more than gravity (acceleration below -g; Sanchez-Medina 2010).
    """
    parts = []
    for a, b in portions(offsets):
        own, begins = slice(offsets[a], offsets[b]), offsets[a : b + 1] - offsets[a]
        found = _found(even_traces(time_s[own], position_m[own], begins))
        parts.append((found[0] + a, found[1] + offsets[a], found[2] + offsets[a], *found[3:]))
    return Repetitions(*(np.concatenate(column) for column in zip(*parts, strict=True)))


def _found(traces: EvenTraces) -> tuple[npt.NDArray[np.generic], ...]:
    """The fields of `Repetitions` of some traces."""
    half = np.maximum(np.rint(SMOOTH_S / traces.step_s / 2), 1).astype(np.int64)
    slope = _slope(traces, half)
    velocity = np.empty_like(slope)
    for k, (a, b) in enumerate(pairwise(traces.offsets.tolist())):
        _smooth(slope[a:b], half[k], velocity[a:b])
    phases = _phases(velocity, traces)
    lifts = _lifts(phases, traces.height)
    of = phases.trace[lifts]
    start, end = _edges(slope, phases.first[lifts], phases.last[lifts], traces.offsets, of)
    first, last = traces.given(*_spans(phases, lifts, start, end), of)
    gap = _has_gap(traces, traces.clock[start], traces.clock[end], of)
    peak, propulsive = (
        np.where(gap, np.nan, of_lift) for of_lift in _speeds(traces, velocity, start, end, of, half)
    )
    way = traces.height[end] - traces.height[start]
    mean = way / (traces.clock[end] - traces.clock[start])
    return traces.number[of], first, last, mean, peak, propulsive, way, gap


def _slope(traces: EvenTraces, half: Ints) -> Floats:
    """Mean slope over `SMOOTH_S` about each sample, over less at the ends: (m,); `half`: in samples, (k,)."""
    sizes, at = np.diff(traces.offsets), np.arange(traces.height.size)
    reach = np.repeat(half, sizes)
    ahead = np.minimum(at + reach, np.repeat(traces.offsets[1:] - 1, sizes))
    np.subtract(at, reach, out=at)
    np.maximum(at, np.repeat(traces.offsets[:-1], sizes), out=at)
    slope: Floats = traces.height[ahead]
    slope -= traces.height[at]
    slope /= np.repeat(2 * half * traces.step_s, sizes)
    return slope


def _smooth(values: Floats, half: int, out: Floats | None = None) -> Floats:
    """Centred moving mean over about `SMOOTH_S`; along the last axis."""
    smooth: Floats = uniform_filter1d(values, 2 * half + 1, mode="nearest", output=out)
    return smooth


def _phases(velocity: Floats, traces: EvenTraces) -> _Phases:
    """Phases in order. Sways shorter than `LEAST_WAY_M` are taken out, what they parted is joined again."""
    runs = _runs(
        (velocity > MOVING_M_S).view(np.int8) - (velocity < -MOVING_M_S).view(np.int8), traces.offsets
    )
    while True:
        runs = _joined(runs)
        short = np.abs(traces.height[runs.last] - traces.height[runs.first]) < LEAST_WAY_M
        if not short.any():
            return runs
        runs = runs.of(~short)


def _runs(direction: npt.NDArray[np.int8], offsets: Ints) -> _Phases:
    """Stretches of samples of one trace and of one direction other than 0."""
    changes = np.ones(direction.size, dtype=np.bool_)
    np.not_equal(direction[1:], direction[:-1], out=changes[1:])
    changes[offsets[:-1]] = True
    first = np.flatnonzero(changes)
    last = np.append(first[1:] - 1, direction.size - 1)[: first.size]
    moving = direction[first] != 0
    first, last = first[moving], last[moving]
    trace = np.searchsorted(offsets, first, side="right") - 1
    return _Phases(trace, direction[first].astype(np.int64), first, last)


def _joined(runs: _Phases) -> _Phases:
    """Neighbouring stretches of one direction as one."""
    turns = (runs.direction[1:] != runs.direction[:-1]) | (runs.trace[1:] != runs.trace[:-1])
    if turns.all():
        return runs
    begins, ends = np.append(True, turns), np.append(turns, True)
    return _Phases(runs.trace[begins], runs.direction[begins], runs.first[begins], runs.last[ends])


def _lifts(phases: _Phases, height: Floats) -> Ints:
    """Which phases are the lifts of repetitions."""
    way = np.where(phases.direction > 0, height[phases.last] - height[phases.first], 0.0)
    longest = np.zeros(phases.trace.max(initial=-1) + 1)
    np.maximum.at(longest, phases.trace, way)
    return np.flatnonzero((way >= LEAST_LIFT_M) & (way >= LIFT_SHARE * longest[phases.trace]))


def _edges(slope: Floats, first: Ints, last: Ints, offsets: Ints, of: Ints) -> tuple[Ints, Ints]:
    """From the moving samples of each lift outward to where the bar stands, or to the ends of its trace.

    By the velocity that is smoothed once: a second mean would draw each end further outward.
    """
    stands = np.flatnonzero(slope <= STANDS_M_S)
    bounds = np.searchsorted(stands, offsets)  # of each trace's own
    before, after = np.searchsorted(stands, first) - 1, np.searchsorted(stands, last)
    low, high = bounds[of], bounds[of + 1]
    stands = np.append(stands, 0)  # for places beyond the last
    start = np.where(before >= low, stands[before], offsets[of])
    end = np.where(after < high, stands[after], offsets[of + 1] - 1)
    never = low == high
    return np.where(never, first, start), np.where(never, last, end)


def _spans(phases: _Phases, lifts: Ints, start: Ints, end: Ints) -> tuple[Ints, Ints]:
    """First and last sample of each repetition, the lowering with it."""
    of, lowers = phases.trace[lifts], phases.direction < 0
    before = np.maximum(lifts - 1, np.searchsorted(phases.trace, of))
    after = np.minimum(lifts + 1, np.searchsorted(phases.trace, of, side="right") - 1)
    lowered = lowers[before]
    lowered_first = lowered[np.searchsorted(of, of)]  # of the first lift of the trace
    return (
        np.where(lowered_first & lowered, phases.first[before], start),
        np.where(~lowered_first & lowers[after], phases.last[after], end),
    )


def _has_gap(traces: EvenTraces, start_s: Floats, end_s: Floats, of: Ints) -> Bools:
    """Whether samples are missing for longer than `GAP_S` within each span."""
    gap = np.zeros(of.size, dtype=np.bool_)
    time, begins = traces.time_s, traces.usable
    missing = time[1:] - time[:-1] > GAP_S
    missing[begins[1:-1] - 1] = False
    holes = np.flatnonzero(missing)
    whose = np.searchsorted(begins, holes, side="right") - 1
    for k in np.unique(whose):
        own, hole = slice(*np.searchsorted(of, [k, k + 1])), holes[whose == k]
        before = np.searchsorted(time[hole + 1], start_s[own], side="right")
        until = np.searchsorted(time[hole], end_s[own], side="left")
        gap[own] = until > before
    return gap


def _speeds(
    traces: EvenTraces, velocity: Floats, start: Ints, end: Ints, of: Ints, half: Ints
) -> tuple[Floats, Floats]:
    """Peak and mean propulsive velocity of each lift [m/s]."""
    peak, stop = np.zeros(of.size), end.copy()
    for width in np.unique(half[of]):
        own = np.flatnonzero(half[of] == width)
        # A lift a row; the shorter ones go on with their last value, as a mean about it takes it to.
        length = end[own] - start[own]
        at = np.arange(length.max() + 1)
        column = np.minimum(at, length[:, None])
        lift = velocity[start[own, None] + column]
        top = lift.argmax(axis=1)
        slope = lift[:, np.minimum(at + width, at[-1])] - lift[:, np.maximum(at - width, 0)]
        slope /= (2 * width * traces.step_s[of[own]])[:, None]
        slope = np.take_along_axis(slope, column, axis=1)
        braked = (_smooth(slope, width) < -STANDARD_GRAVITY) & (column >= top[:, None])
        peak[own] = lift.max(axis=1)
        first = np.where(braked.any(axis=1), column[np.arange(own.size), braked.argmax(axis=1)], length)
        stop[own] = start[own] + first
    way, took = traces.height[stop] - traces.height[start], traces.clock[stop] - traces.clock[start]
    return peak, way / took

"""Repetitions in the trace of a bar's height: where each is lowered and lifted, and how fast.

Smoothing is two moving means of `SMOOTH_S` of the velocity, both centred, so nothing is shifted in time. They
take less than 1 % off the peak of a lift that lasts 0.5 s.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy.ndimage import uniform_filter1d

from pipeline.numerics.physics import STANDARD_GRAVITY

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]
Bools = npt.NDArray[np.bool_]

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
JUMP_M_S = 8.0
"""Faster between two samples is a drop-out of the sensor: no bar moves so [m/s] (methods, B6)."""
DROP_OUT_S = 0.3
"""So long may a drop-out last to be bridged [s]; judgement."""
EVEN = 0.01
"""Steps that differ by less than this share are even: clocks are written to a few digits."""
GAP_S = 0.1
"""A lift with a longer gap between its samples has no peak and no propulsive velocity [s]; judgement."""


@dataclass(frozen=True)
class Repetitions:
    """The repetitions of one trace in order; every array has shape (repetitions,).

    `first`, `last`: indices of the trace's samples from the start of lowering or lifting, whichever comes
    first, to the end of the other; `mean_m_s`, `peak_m_s`, `propulsive_m_s`: velocities of the lift, its peak
    and propulsive ones NaN where samples are missing (`gap`); `way_m`: its range of motion.
    """

    first: Ints
    last: Ints
    mean_m_s: Floats
    peak_m_s: Floats
    propulsive_m_s: Floats
    way_m: Floats
    gap: Bools


def find_repetitions(time_s: Floats, position_m: Floats) -> Repetitions:
    """The repetitions in a trace: `time_s`, `position_m` of shape (n,), up is positive; NaN are left out.

    A phase is a stretch in which the bar goes one way, with all pauses in it; a repetition is a lift of
    `LEAST_LIFT_M` and of `LIFT_SHARE` of the trace's longest, with the lowering before it, or after it where
    the first lift begins from rest. So taking the bar off its hooks and putting it back is none.
    Propulsive: until the bar is braked by more than gravity (acceleration below -g; Sanchez-Medina 2010).
    """
    place = _usable(time_s, position_m)
    time, position = time_s[place], position_m[place]
    if time.size < 3 or time[-1] - time[0] < 4 * SMOOTH_S:
        return _none()
    clock, height, step = _evenly(time, position)
    slope = _slope(height, step)
    velocity = _smooth(slope, step)
    phases = _phases(velocity, height)
    lifts = _lifts(phases, height)
    if lifts.size == 0:
        return _none()
    start, end = _edges(slope, phases[lifts, 1], phases[lifts, 2])
    first, last = _spans(phases, lifts, start, end)
    gap = _has_gap(time, clock[start], clock[end])
    peak, propulsive = _speeds(clock, height, velocity, start, end, step)
    sample = np.searchsorted(time, clock[first] - step / 2), np.searchsorted(time, clock[last] + step / 2) - 1
    way = height[end] - height[start]
    return Repetitions(
        first=place[sample[0]],
        last=place[np.clip(sample[1], 0, place.size - 1)],
        mean_m_s=way / (clock[end] - clock[start]),
        peak_m_s=np.where(gap, np.nan, peak),
        propulsive_m_s=np.where(gap, np.nan, propulsive),
        way_m=way,
        gap=gap,
    )


def _none() -> Repetitions:
    nothing, nowhere = np.zeros(0), np.zeros(0, dtype=np.int64)
    return Repetitions(nowhere, nowhere, nothing, nothing, nothing, nothing, np.zeros(0, dtype=np.bool_))


def _usable(time_s: Floats, position_m: Floats) -> Ints:
    """Indices of the samples that can be trusted, in order of time."""
    place = np.flatnonzero(np.isfinite(time_s) & np.isfinite(position_m)).astype(np.int64)
    time = time_s[place]
    if (time[1:] < time[:-1]).any():
        place = place[np.argsort(time, kind="stable")]
        time = time_s[place]
    return place[_trusted(time, position_m[place])]


def _evenly(time: Floats, position: Floats) -> tuple[Floats, Floats, float]:
    """Times and heights at even steps, and the step: the median one; between samples a straight line."""
    steps = time[1:] - time[:-1]
    if steps.max() - steps.min() < EVEN * steps[0]:
        return time, position, float((time[-1] - time[0]) / steps.size)
    step = float(np.median(steps))
    clock = time[0] + step * np.arange(int((time[-1] - time[0]) / step) + 1)
    return clock, np.interp(clock, time, position), step


def _trusted(time: Floats, position: Floats) -> Bools:
    """Which samples are no drop-outs: between a jump and a jump back soon after nothing is trusted."""
    good = np.ones(time.size, dtype=np.bool_)
    steps, ways = time[1:] - time[:-1], position[1:] - position[:-1]
    good[1:] = steps > 0
    jumps = np.flatnonzero(np.abs(ways) > JUMP_M_S * steps)
    at = 0
    while at < jumps.size - 1:
        here, back = jumps[at], jumps[at + 1]
        if ways[here] * ways[back] < 0 and time[back + 1] - time[here] <= DROP_OUT_S:
            good[here + 1 : back + 1] = False
            at += 2
        else:
            at += 1
    return good


def _slope(values: Floats, step: float) -> Floats:
    """Mean slope over `SMOOTH_S` about each sample, over less at the ends; along the last axis."""
    half, last = max(round(SMOOTH_S / step / 2), 1), values.shape[-1] - 1
    at = np.arange(last + 1)
    slope: Floats = values[..., np.minimum(at + half, last)] - values[..., np.maximum(at - half, 0)]
    return slope / (2 * half * step)


def _smooth(values: Floats, step: float) -> Floats:
    """Centred moving mean over about `SMOOTH_S`; along the last axis."""
    size = 2 * max(round(SMOOTH_S / step / 2), 1) + 1
    smooth: Floats = uniform_filter1d(values, size, mode="nearest")
    return smooth


def _phases(velocity: Floats, height: Floats) -> Ints:
    """Phases in order, a row each: direction (1 up, -1 down), first and last moving sample. Shape (k, 3).

    Sways shorter than `LEAST_WAY_M` are taken out, and what they parted is joined again.
    """
    runs = _runs((velocity > MOVING_M_S).view(np.int8) - (velocity < -MOVING_M_S).view(np.int8))
    while True:
        runs = _joined(runs)
        short = np.abs(height[runs[:, 2]] - height[runs[:, 1]]) < LEAST_WAY_M
        if not short.any():
            return runs
        runs = runs[~short]


def _runs(direction: npt.NDArray[np.int8]) -> Ints:
    """Stretches of samples of one direction other than 0: direction, first, last."""
    changes = np.flatnonzero(direction[1:] != direction[:-1]) + 1
    bounds = np.concatenate([[0], changes, [direction.size]])
    moving = direction[bounds[:-1]] != 0
    first, last = bounds[:-1][moving], bounds[1:][moving] - 1
    return np.array([direction[first], first, last], dtype=np.int64).T


def _joined(runs: Ints) -> Ints:
    """Neighbouring stretches of one direction as one."""
    turns = runs[1:, 0] != runs[:-1, 0]
    if turns.all():
        return runs
    joined: Ints = runs[np.append(True, turns)]
    joined[:, 2] = runs[np.append(turns, True), 2]
    return joined


def _lifts(phases: Ints, height: Floats) -> Ints:
    """Which phases are the lifts of repetitions."""
    way = np.where(phases[:, 0] > 0, height[phases[:, 2]] - height[phases[:, 1]], 0.0)
    longest = way.max(initial=0.0)
    return np.flatnonzero((way >= LEAST_LIFT_M) & (way >= LIFT_SHARE * longest)).astype(np.int64)


def _edges(slope: Floats, first: Ints, last: Ints) -> tuple[Ints, Ints]:
    """From the moving samples of each lift outward to where the bar stands.

    By the velocity that is smoothed once: a second mean would draw each end further outward.
    """
    stands = np.flatnonzero(slope <= STANDS_M_S)
    if stands.size == 0:
        return first, last
    before = np.searchsorted(stands, first) - 1
    after = np.searchsorted(stands, last)
    start = np.where(before >= 0, stands[np.maximum(before, 0)], 0)
    end = np.where(after < stands.size, stands[np.minimum(after, stands.size - 1)], slope.size - 1)
    return start, end


def _spans(phases: Ints, lifts: Ints, start: Ints, end: Ints) -> tuple[Ints, Ints]:
    """First and last sample of each repetition, the lowering with it."""
    lowers = phases[:, 0] < 0
    before, after = np.maximum(lifts - 1, 0), np.minimum(lifts + 1, phases.shape[0] - 1)
    lowered_first = bool(lowers[before[0]] and lifts[0] > 0)
    if lowered_first:
        return np.where(lowers[before], phases[before, 1], start), end
    return start, np.where(lowers[after], phases[after, 2], end)


def _has_gap(time: Floats, start_s: Floats, end_s: Floats) -> Bools:
    """Whether samples are missing for longer than `GAP_S` within each span."""
    holes = np.flatnonzero(time[1:] - time[:-1] > GAP_S)
    before = np.searchsorted(time[holes + 1], start_s, side="right")
    until = np.searchsorted(time[holes], end_s, side="left")
    return np.asarray(until > before, dtype=np.bool_)


def _speeds(
    clock: Floats, height: Floats, velocity: Floats, start: Ints, end: Ints, step: float
) -> tuple[Floats, Floats]:
    """Peak and mean propulsive velocity of each lift [m/s]."""
    # A lift a row; the shorter ones go on with their last value, as a mean about it takes it to.
    length = end - start
    column = np.minimum(np.arange(length.max() + 1), length[:, None])
    lift = velocity[start[:, None] + column]
    top = lift.argmax(axis=1)
    slope = np.take_along_axis(_slope(lift, step), column, axis=1)
    braked = (_smooth(slope, step) < -STANDARD_GRAVITY) & (column >= top[:, None])
    first = column[np.arange(top.size), braked.argmax(axis=1)]
    stop = start + np.where(braked.any(axis=1), first, length)
    return lift.max(axis=1), (height[stop] - height[start]) / (clock[stop] - clock[start])

"""Traces of a bar's height made fit for filters: what can be trusted of each, at even steps; all at once."""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise

import numpy as np
import numpy.typing as npt

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]
Bools = npt.NDArray[np.bool_]

LEAST_S = 0.2
"""A shorter trace is left out [s]; judgement."""
FEWEST = 3
"""A trace of fewer samples is left out."""
JUMP_M_S = 8.0
"""Faster between two samples is a drop-out of the sensor: no bar moves so [m/s] (methods, B6)."""
DROP_OUT_S = 0.3
"""So long may a drop-out last to be bridged [s]; judgement."""
EVEN = 0.01
"""Steps that differ by less than this share are even: clocks are written to a few digits."""


@dataclass(frozen=True)
class EvenTraces:
    """k of the traces given, end to end: m samples at even steps, made of n usable ones of those given.

    `number`: shape (k,), which of the traces given each is. `clock` [s], `height` [m]: shape (m,); `offsets`:
    (k + 1,), where each trace begins and the last ends; `step_s`: (k,). `time_s` [s]: (n,), of the usable
    samples, in order; `place`: (n,), which of the samples given they are; `usable`: (k + 1,), as `offsets`.
    `uneven`: (k,), whether a trace had to be put at even steps: of the others the usable samples are taken.
    """

    number: Ints
    clock: Floats
    height: Floats
    offsets: Ints
    step_s: Floats
    time_s: Floats
    place: Ints
    usable: Ints
    uneven: Bools

    def given(self, first: Ints, last: Ints, of: Ints) -> tuple[Ints, Ints]:
        """The samples given that stretches of even ones are made of: the first and last of each.

        `first`, `last`: indices of even samples; `of`: of which of the k traces, in order; all of one shape.
        """
        moved = (self.usable - self.offsets)[of]
        begin, end = first + moved, last + moved
        for k in np.flatnonzero(self.uneven):
            own, half = slice(*np.searchsorted(of, [k, k + 1])), self.step_s[k] / 2
            time = self.time_s[self.usable[k] : self.usable[k + 1]]
            until = np.searchsorted(time, self.clock[last[own]] + half) - 1
            begin[own] = self.usable[k] + np.searchsorted(time, self.clock[first[own]] - half)
            end[own] = self.usable[k] + np.clip(until, 0, time.size - 1)
        return self.place[begin], self.place[end]


def even_traces(time_s: Floats, position_m: Floats, offsets: Ints) -> EvenTraces:
    """Traces without what cannot be trusted, at even steps; those too short left out.

    `time_s`, `position_m`: shape (n,), the traces end to end, each in any order; NaN are left out. `offsets`:
    (k + 1,). A step is the median one where steps are uneven; between samples the height is a straight line.
    """
    place, usable = _usable(time_s, position_m, offsets)
    time, sizes = time_s[place], np.diff(usable)
    lasted = np.zeros(sizes.size)
    some = sizes > 0
    lasted[some] = time[usable[1:][some] - 1] - time[usable[:-1][some]]
    long = (sizes >= FEWEST) & (lasted >= LEAST_S)
    if not long.all():
        kept = np.repeat(long, sizes)
        place, time, sizes, lasted = place[kept], time[kept], sizes[long], lasted[long]
        usable = np.concatenate([[0], np.cumsum(sizes)])
    number, position = np.flatnonzero(long), position_m[place]
    if not number.size:
        nothing = np.zeros(0)
        return EvenTraces(number, nothing, nothing, usable, nothing, time, place, usable, long[:0])
    steps = np.empty_like(time)
    np.subtract(time[1:], time[:-1], out=steps[:-1])
    first, last = usable[:-1], usable[1:] - 1
    steps[last] = steps[last - 1]
    spread = np.maximum.reduceat(steps, first) - np.minimum.reduceat(steps, first)
    uneven = spread >= EVEN * steps[first]
    step = lasted / (sizes - 1)
    clock, height, even = time, position, usable
    if uneven.any():
        parts = []
        for k, (a, b) in enumerate(pairwise(usable.tolist())):
            own, values = time[a:b], position[a:b]
            if uneven[k]:
                step[k] = np.median(steps[a : b - 1])
                at = own[0] + step[k] * np.arange(int(lasted[k] / step[k]) + 1)
                own, values = at, np.interp(at, own, values)
            parts.append((own, values))
        clock, height = (np.concatenate(column) for column in zip(*parts, strict=True))
        even = np.cumsum([0, *(own.size for own, _ in parts)])
    return EvenTraces(number, clock, height, even, step, time, place, usable, uneven)


def _usable(time_s: Floats, position_m: Floats, offsets: Ints) -> tuple[Ints, Ints]:
    """Indices of the samples that can be trusted, each trace in order of time, and where each begins."""
    place = np.arange(time_s.size)
    place, offsets = _kept(place, offsets, np.isfinite(time_s) & np.isfinite(position_m))
    time = time_s[place]
    falls = np.flatnonzero(time[1:] < time[:-1])
    for k in np.unique(np.searchsorted(offsets, falls, side="right") - 1):
        own = slice(*offsets[k : k + 2])
        # Where it only falls from one trace to the next, this leaves a trace as it is.
        place[own] = place[own][np.argsort(time[own], kind="stable")]
    return _kept(place, offsets, _trusted(time_s[place], position_m[place], offsets))


def _kept(place: Ints, offsets: Ints, good: Bools) -> tuple[Ints, Ints]:
    if good.all():
        return place, offsets
    return place[good], np.concatenate([[0], np.cumsum(good)])[offsets]


def _trusted(time: Floats, position: Floats, offsets: Ints) -> Bools:
    """Which samples are no drop-outs: between a jump and a jump back soon after nothing is trusted."""
    good = np.ones(time.size, dtype=np.bool_)
    if not time.size:
        return good
    steps, ways = time[1:] - time[:-1], position[1:] - position[:-1]
    np.greater(steps, 0, out=good[1:])
    begins = offsets[(offsets > 0) & (offsets < time.size)]
    good[begins] = True
    jumped = np.abs(ways) > JUMP_M_S * steps
    jumped[begins - 1] = False
    jumps = np.flatnonzero(jumped)
    trace = np.searchsorted(offsets, jumps, side="right")
    at = 0
    while at < jumps.size - 1:
        here, back = jumps[at], jumps[at + 1]
        soon = trace[at] == trace[at + 1] and time[back + 1] - time[here] <= DROP_OUT_S
        if soon and ways[here] * ways[back] < 0:
            good[here + 1 : back + 1] = False
            at += 2
        else:
            at += 1
    return good

"""Many traces at once: laid end to end along one axis, so that one call does for all of them.

Between its samples a trace is a straight line.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property
from itertools import pairwise
from typing import TypeVar

import numpy as np
import numpy.typing as npt

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]
Bools = npt.NDArray[np.bool_]
Number = TypeVar("Number", bound=np.generic)

GRID = 2.0**38
"""Places on an axis are told to 1 / GRID, 4e-12 s or m. So sums and differences of them are exact, and where
on the axis a trace lies, and beside which others, changes no digit of what comes out for it."""
LONGEST = 1 << 13
"""Even four times this length keeps every digit of `GRID`."""
PORTION = 1 << 17
"""Samples worked on together: what they need stays in a core's cache."""
_SHORT = 400
"""Traces of fewer samples each are summed faster in rows than one by one."""
ONE_PLACE = 1e-9
"""Places that differ by less are one: `GRID` may have parted them."""


@dataclass(frozen=True)
class Laid:
    """k traces of n samples in all, at least one each, along an axis of time [s] or of place [m].

    `axis`: shape (n,), never falling; `offsets`: shape (k + 1,), where each trace begins and the last ends;
    `shift`: shape (k,), how much further on the axis a trace lies than it would by itself.
    """

    axis: Floats
    offsets: Ints
    shift: Floats

    @cached_property
    def sizes(self) -> Ints:
        """Samples of each trace: (k,)."""
        return np.diff(self.offsets)

    @cached_property
    def first(self) -> Ints:
        """Index of the first sample of each trace: (k,)."""
        return self.offsets[:-1]

    @cached_property
    def last(self) -> Ints:
        """Index of the last sample of each trace: (k,)."""
        return self.offsets[1:] - 1

    @cached_property
    def begins(self) -> Floats:
        """Where each trace begins on the axis: (k,)."""
        return self.axis[self.first]

    @cached_property
    def ends(self) -> Floats:
        """Where each trace ends on the axis: (k,)."""
        return self.axis[self.last]

    @cached_property
    def owner(self) -> Ints:
        """Number of the trace that each sample is of: (n,)."""
        return np.repeat(np.arange(self.shift.size), self.sizes)

    @cached_property
    def steps(self) -> Floats:
        """From each sample to the next of its trace on the axis, 0 from its last: (n,)."""
        return self.moves(self.axis)

    @cached_property
    def least_step(self) -> Floats:
        """The shortest of the steps of each trace, 0 if it has none: (k,)."""
        return self.over_steps(np.minimum, self.steps)

    @cached_property
    def longest_step(self) -> Floats:
        """The longest of the steps of each trace, 0 if it has none: (k,)."""
        return self.over_steps(np.maximum, self.steps)

    def moves(self, values: Floats) -> Floats:
        """From each value to that of the next sample of its trace, 0 from its last: (n,) -> (n,)."""
        moves = np.zeros_like(values)
        np.subtract(values[1:], values[:-1], out=moves[:-1])
        moves[self.last] = 0.0
        return moves

    def over_steps(self, ufunc: np.ufunc, values: Floats) -> Floats:
        """`ufunc` over the values of each trace but its last, or over its only one: (n,) -> (k,)."""
        return np.asarray(ufunc.reduceat(values, self._first_to_last)[::2])

    @cached_property
    def _first_to_last(self) -> Ints:
        """Every other stretch that begins with one of these is a trace without its last sample."""
        return np.column_stack([self.first, self.last]).ravel()

    @cached_property
    def _index(self) -> Floats:
        return np.arange(self.axis.size, dtype=np.float64)

    def spread(self, numbers: npt.NDArray[Number]) -> npt.NDArray[Number]:
        """A number of each trace at each of its samples: (k,) -> (n,)."""
        return np.repeat(numbers, self.sizes)

    def on_axis(self, at: Floats) -> Floats:
        """Where on the axis each trace is at `at`, by itself: (k,) -> (k,), (k, m) -> (k, m)."""
        return on_grid(at) + (self.shift if at.ndim == 1 else self.shift[:, None])

    def value_at(self, axis: Floats, values: Floats) -> Floats:
        """The values at places on the axis, each within a trace; NaN at NaN. `values`: (n,)."""
        if values.size < 2:  # np.interp knows no NaN in one sample, and nothing in none
            return np.where(np.isnan(axis), np.nan, values.sum())
        return np.interp(axis, self.axis, values)

    def value_behind(self, i: Ints, axis: Floats, values: Floats) -> Floats:
        """As `value_at`, of places whose last sample at or before each is known: `i`."""
        value, way = values[i], axis - self.axis[i]
        between = np.flatnonzero(way > 0)  # a sample's own value counts even if the next is NaN
        i, way = i[between], way[between]
        value[between] += (values[i + 1] - values[i]) / (self.axis[i + 1] - self.axis[i]) * way
        return value

    def value_of(self, at: Floats, values: Floats) -> Floats:
        """The values of each trace at `at`, by itself: its first before it begins, its last after its end.

        `at`: (k,) or (k, m); `values`: (n,); gives the shape of `at`.
        """
        column = (slice(None), *(None,) * (at.ndim - 1))
        within = np.minimum(np.maximum(self.on_axis(at), self.begins[column]), self.ends[column])
        return self.value_at(within, values)

    def before(self, axis: Floats) -> Ints:
        """Index of the last sample at or before each place on the axis, none of them NaN."""
        # Places in order are found three times faster so than by np.searchsorted.
        return np.interp(axis, self.axis, self._index).astype(np.int64) if self.axis.size else self.first

    def kept(self, samples: Ints) -> Laid:
        """With these samples only, in order, at least one of each trace."""
        return Laid(self.axis[samples], np.searchsorted(samples, self.offsets), self.shift)

    def first_highest(self, values: npt.NDArray[np.generic]) -> Ints:
        """Index of the first of the highest values of each trace, none of them NaN: (n,) -> (k,)."""
        top = np.maximum.reduceat(values, self.first)
        highest = np.flatnonzero(values == np.repeat(top, self.sizes))
        return highest[np.searchsorted(highest, self.first)]

    def accumulate(self, ufunc: np.ufunc, values: Floats) -> Floats:
        """`ufunc.accumulate` of each trace's values: (n,) -> (n,)."""
        longest = int(self.sizes.max(initial=0))
        if longest * self.sizes.size < min(2 * values.size, _SHORT * self.sizes.size):
            # Many short ones are put below each other, as long as not too much of that is empty.
            own = np.arange(longest) < self.sizes[:, None]
            rows = np.zeros(own.shape)
            rows[own] = values
            return np.asarray(ufunc.accumulate(rows, 1, None, rows)[own])
        found = np.empty_like(values)
        for a, b in pairwise(self.offsets.tolist()):
            ufunc.accumulate(values[a:b], 0, None, found[a:b])  # by place: a fifth faster for short traces
        return found


def lay(at: Floats, offsets: Ints) -> Laid:
    """Traces put one behind the other, `at` being the time or place of their samples: (n,).

    Where `at` falls within a trace, so does the axis: its running maximum does not.
    """
    low, high = (on_grid(extreme.reduceat(at, offsets[:-1])) for extreme in (np.minimum, np.maximum))
    lengths = high - low + 1.0
    shift = np.cumsum(lengths) - lengths - low
    axis = on_grid(at)
    axis += np.repeat(shift, np.diff(offsets))
    return Laid(axis, offsets, shift)


def on_grid(places: Floats) -> Floats:
    """Rounded to 1 / `GRID`; shape as it was."""
    rounded = np.asarray(places * GRID)
    np.rint(rounded, out=rounded)
    rounded /= GRID
    return rounded


def length_on_grid(length: float) -> float:
    """Rounded to 1 / `GRID`, so that no digit is lost where it is added to a place on an axis."""
    return round(length * GRID) / GRID


def portions(offsets: Ints, *columns: Floats) -> list[tuple[int, int]]:
    """Portions of traces: the first of each, and the first that is no more in it; one even if there is none.

    `columns`: what is to be laid along an axis, (n,) each. A portion is less than twice `PORTION` samples and
    `LONGEST`, unless one trace is longer.
    """
    first, count = offsets[:-1], offsets.size - 1
    shares = [np.diff(offsets) / PORTION]
    for values in columns:
        reach = np.maximum.reduceat(values, first) - np.minimum.reduceat(values, first)
        shares.append((reach + 1.0) / LONGEST)
    number = np.floor(np.cumsum(np.max(shares, axis=0)))
    begins = np.flatnonzero(np.diff(number, prepend=-1.0)).tolist() or [0]
    return list(pairwise([*begins, count]))

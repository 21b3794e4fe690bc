"""Many traces at once: laid end to end on one axis, each a function that is a straight line between its points."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property
from itertools import pairwise

import numpy as np
import numpy.typing as npt

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]
Bools = npt.NDArray[np.bool_]

ONE_PLACE = 1e-9
"""Places on an axis that differ by less are one."""
PORTION = 1 << 15
"""Points worked on together: what they need stays in a core's cache."""
LONGEST = 1 << 14
"""An axis of less than twice this length keeps every digit of `GRID`."""
GRID = 2.0**38
"""Places on an axis are told to 1 / GRID, 4e-12 s or m: so sums and differences of them are exact, and where on
the axis a function lies, and beside which others, changes no digit of what comes out for it."""


@dataclass(frozen=True)
class Laid:
    """k functions of n points in all, each of at least one.

    `at`, `value`: shape (n,), `at` never falling within a function; `offsets`: shape (k + 1,), where each
    begins and the last ends. All together are no more than one of `portions`.
    """

    at: Floats
    value: Floats
    offsets: Ints

    @cached_property
    def first(self) -> Ints:
        """Index of the first point of each function: (k,)."""
        return self.offsets[:-1]

    @cached_property
    def last(self) -> Ints:
        """Index of the last point of each function: (k,)."""
        return self.offsets[1:] - 1

    @cached_property
    def owner(self) -> Ints:
        """Number of the function that each point is of: (n,)."""
        return self.spread(np.arange(self.first.size))

    def spread(self, numbers: npt.NDArray[np.generic]) -> npt.NDArray[np.generic]:
        """A number of each function at each of its points: (k,) -> (n,)."""
        return np.repeat(numbers, np.diff(self.offsets))

    @cached_property
    def axis(self) -> Floats:
        """Where each point lies on the axis: (n,), never falling."""
        return end_to_end(self.at, self.offsets)

    def on_axis(self, at: Floats) -> Floats:
        """Where places of each function lie on the axis, those outside it at its ends: (k, ...) -> (k, ...)."""
        shape = (-1,) + (1,) * (at.ndim - 1)
        begin, first, last = (
            ends.reshape(shape) for ends in (self.at[self.first], self.axis[self.first], self.axis[self.last])
        )
        return np.minimum(np.maximum(on_grid(at) - on_grid(begin) + first, first), last)

    def value_at(self, axis: Floats) -> Floats:
        """The values at places on the axis, each within a function; NaN at NaN."""
        return np.interp(axis, self.axis, self.value) if self.at.size else np.zeros(axis.shape)

    def before(self, axis: Floats) -> Ints:
        """Index of the last point at or before each place on the axis; that of NaN is the last of all."""
        return np.searchsorted(self.axis, axis, side="right") - 1

    def kept(self, points: Bools) -> Laid:
        """With these points only, at least one of each function: (n,)."""
        counts = np.add.reduceat(points, self.first, dtype=np.int64)
        return Laid(self.at[points], self.value[points], np.concatenate([[0], np.cumsum(counts)]))

    def first_highest(self, values: npt.NDArray[np.generic]) -> Ints:
        """Index of the first of the highest values of each function, none of them NaN: (n,) -> (k,)."""
        top = np.maximum.reduceat(values, self.first)
        highest = np.flatnonzero(values == self.spread(top))
        return highest[np.searchsorted(highest, self.first)]


def length_on_grid(length: float) -> float:
    """Rounded to 1 / GRID, so that adding it to a place on an axis is exact."""
    return round(length * GRID) / GRID


def on_grid(places: Floats) -> Floats:
    """Rounded to 1 / GRID; shape as it was."""
    return np.asarray(np.rint(places * GRID) / GRID)


def end_to_end(values: Floats, offsets: Ints) -> Floats:
    """Values of each function above those of the one before: (n,) -> (n,)."""
    low, high = (
        on_grid(extreme.reduceat(values, offsets[:-1])) for extreme in (np.minimum, np.maximum)
    )
    begins = np.cumsum(high - low + 1.0) - (high - low)
    return on_grid(values) + np.repeat(begins - low, np.diff(offsets))


def portions(offsets: Ints, *columns: Floats) -> list[tuple[int, int]]:
    """Portions of functions: the first of each and the first that is no more in it; one even if there is none.

    `columns`: what is to be laid along an axis, (n,) each. A portion is less than twice `PORTION` points and
    `LONGEST`, unless one function is longer.
    """
    first, count = offsets[:-1], offsets.size - 1
    shares = [np.diff(offsets) / PORTION]
    for values in columns:
        reach = np.maximum.reduceat(values, first) - np.minimum.reduceat(values, first)
        shares.append((reach + 1.0) / LONGEST)
    number = np.floor(np.cumsum(np.max(shares, axis=0)))
    begins = np.flatnonzero(np.diff(number, prepend=-1.0)).tolist() or [0]
    return list(pairwise([*begins, count]))


def accumulate(ufunc: np.ufunc, values: Floats, offsets: Ints) -> Floats:
    """`ufunc.accumulate` of each function's values: (n,) -> (n,)."""
    found = np.empty_like(values)
    for a, b in pairwise(offsets.tolist()):
        ufunc.accumulate(values[a:b], out=found[a:b])
    return found



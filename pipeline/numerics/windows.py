"""Which windows of traces are worth a close look: of most a rough one tells that they are not the highest.

With even steps, a window of a given width is as wide as so many samples. What it comes to is then known but
for a little from its first and last sample, and only those near the highest have to be worked out.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from pipeline.numerics.laid import ONE_PLACE, Bools, Floats, Ints, Laid

EVEN_S = 1e-5
"""Windows whose widths differ by less are one to a rough look [s]: clocks are written to a few digits."""


@dataclass(frozen=True)
class Windows:
    """Windows that begin with each of n samples and end with the one that is `long` samples further.

    `even`: shape (n,), whether a window is within its trace and as wide as asked for, but for `EVEN_S`;
    `uneven`: (n,), whether it is within its trace and not so. `missed`: (k,), traces of which windows as wide
    as asked for may begin or end with a sample and be near none of these.
    """

    clock: Laid
    long: int
    even: Bools
    uneven: Bools
    missed: Bools

    def change(self, values: Floats) -> Floats:
        """From the value of each window's first sample to that of its last: (n,), 0 where there is none."""
        change = np.zeros_like(values)
        np.subtract(values[self.long :], values[: -self.long], out=change[: -self.long])
        return change

    def worth_a_look(self, rough: Floats, most: Floats, slack: Floats) -> tuple[Ints, Ints]:
        """Samples that the highest window of each trace as wide as asked for may begin with, or end with.

        `rough`: (n,), what even windows come to; `most`: (n,), how high they come where they are moved on
        before they meet another sample; both but for half the `slack`, (k,). Nothing is known of others.
        Both are in order, and there is one of each trace at least. Writes over `rough`.
        """
        rough[~self.even] = -np.inf
        begins = most < self.clock.spread(np.maximum.reduceat(rough, self.clock.first) - slack)
        np.logical_not(begins, out=begins)
        begins &= self.even
        begins |= self.uneven
        some, all_of = np.flatnonzero(begins), np.flatnonzero(self.clock.spread(self.missed))
        return in_order(some, all_of), in_order(some + self.long, all_of)


def windows(clock: Laid, width: float) -> Windows:
    """Windows of about `width`, rounded by `laid.length_on_grid`: as long as most traces have them."""
    axis, least = clock.axis, clock.least_step
    known = least >= EVEN_S
    longs = np.rint(width / np.where(known, least, np.inf))
    longs = np.clip(longs, 1, max(axis.size - 1, 1)).astype(np.int64)
    long = max(int(np.bincount(longs, minlength=1).argmax()), 1)
    count = np.maximum(clock.sizes - long, 0)
    begin = axis[np.minimum(clock.first + count, clock.last)]
    end = axis[np.minimum(clock.first + long - 1, clock.last)]
    missed = (begin <= clock.ends - width + ONE_PLACE) | (end >= clock.begins + width - ONE_PLACE)
    missed |= ~known | (longs != long) | (count == 0)
    within = np.column_stack([~missed, np.zeros_like(missed)]).ravel()
    within = np.repeat(within, np.column_stack([count, clock.sizes - count]).ravel())
    even, wide = within.copy(), axis[long:] - axis[:-long]
    even[:-long] &= wide <= width + EVEN_S
    even[:-long] &= wide >= width - EVEN_S
    return Windows(clock, long, even, within & ~even, missed)


def in_order(some: Ints, others: Ints) -> Ints:
    """Samples of both, in order."""
    return np.sort(np.concatenate([some, others]), kind="stable") if others.size else some

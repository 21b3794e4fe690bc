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
    """For each of n samples the window that begins with it, all of a trace so many samples long.

    `far`: shape (n,), the sample that ends it, of the same trace. `even`: (n,), whether it is as wide as asked
    for, but for `EVEN_S`. `of_use`: (n,), False at the end of a trace, where it is cut short.
    """

    clock: Laid
    far: Ints
    even: Bools
    of_use: Bools

    def worth_a_look(self, rough: Floats, most: Floats, slack: Floats) -> Ints:
        """The samples, in order, that the highest window of each trace as wide as asked for begins or ends with.

        `rough`, `most`: (n,), what a window comes to, and how high it comes where it is moved on before
        another sample is met; `slack`: (k,), how much higher or lower those may be that are as wide as asked
        for and begin or end with the same sample. Of windows that are not even, nothing is known.
        """
        highest = np.maximum.reduceat(np.where(self.even, rough, -np.inf), self.clock.first)
        looked_at = most < self.clock.spread(highest - 2 * slack)
        looked_at &= self.even
        np.logical_not(looked_at, out=looked_at)
        looked_at &= self.of_use
        looked_at[self.far[looked_at]] = True
        return np.flatnonzero(looked_at)


def windows(clock: Laid, width: float) -> Windows:
    """Windows of about `width`, rounded by `laid.length_on_grid`."""
    with np.errstate(divide="ignore"):
        long = np.clip(np.rint(width / clock.least_step), 1, clock.sizes).astype(np.int64)
    count = clock.sizes - long
    # Where samples begin or end windows that are none of these, all of a trace are looked at.
    begin = clock.axis[np.minimum(clock.first + count, clock.last)]
    end = clock.axis[np.minimum(clock.first + long - 1, clock.last)]
    missed = (begin <= clock.ends - width + ONE_PLACE) | (end >= clock.begins + width - ONE_PLACE)
    missed |= (count == 0) | (clock.least_step < EVEN_S)
    far = np.arange(clock.axis.size)
    far += clock.spread(long)
    np.minimum(far, clock.spread(clock.last), out=far)
    off = clock.axis[far]
    off -= clock.axis
    off -= width
    np.abs(off, out=off)
    parts = np.column_stack([count, clock.sizes - count])
    of_use = np.repeat(np.column_stack([np.ones_like(missed), missed]).ravel(), parts.ravel())
    even = off <= EVEN_S
    even &= of_use
    even &= clock.spread(~missed)
    return Windows(clock, far, even, of_use)

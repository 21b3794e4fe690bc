"""Groups within groups, each of many kinds of values: who is in which, and which leave a few apart.

A cell is a group and a kind of value. Members are rows of cells, from the narrowest to the widest, -1 where
there is none: (members, rungs); a row may stand for several, `count` says for how many: (members,). `parent`
is the next wider cell of each cell, -1 for the widest.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from pipeline.numerics.percentiles import Ints

Flags = NDArray[np.bool_]


def sizes(n_cells: int, count: Ints, *memberships: Ints) -> Ints:
    """How many members each cell has, who is in it by any of the memberships: (members, rungs) -> (cells,).

    The memberships are of the same members, row by row.
    """
    found = np.zeros(n_cells, dtype=np.int64)
    for place, cells in enumerate(memberships):
        new = cells >= 0
        for earlier in memberships[:place]:
            new &= cells != earlier
        row, _ = np.nonzero(new)
        found += np.bincount(cells[new], weights=count[row], minlength=n_cells).astype(np.int64)
    return found


def homes(cells: Ints, shown: Flags) -> Ints:
    """The narrowest shown cell of each member, -1 where none is: (members, rungs) -> (members,)."""
    home = np.full(len(cells), -1, dtype=np.int64)
    for rung in reversed(range(cells.shape[1])):
        here = cells[:, rung]
        is_shown = here >= 0
        is_shown[is_shown] = shown[here[is_shown]]
        home[is_shown] = here[is_shown]
    return home


def without_small_rests(
    shown: Flags, parent: Ints, minimum: int, count: Ints, *memberships: Ints, known: Flags | None = None
) -> Flags:
    """Which cells may be shown, so that none of them, less those shown within it, leaves 1 to minimum - 1.

    (cells,) -> (cells,). Cells below the minimum are not shown at all. Where a rest is small the smallest
    cell within is withheld (complementary suppression), never the wider one, and with a cell all below it.
    `known` are cells that somebody has the numbers of already: these count as shown whatever their size, and
    are withheld last.
    """
    size = sizes(parent.size, count, *memberships)
    known = np.zeros(parent.size, dtype=np.bool_) if known is None else known
    shown = shown & ((size >= minimum) | known)
    while True:
        at_home = sizes(parent.size, count, *(homes(cells, shown)[:, None] for cells in memberships))
        small = shown & (at_home > 0) & (at_home < minimum)
        if not small.any():
            return shown
        within = np.flatnonzero(shown)
        above = shown_above(within, shown, parent)
        within, above = within[above >= 0], above[above >= 0]
        within, above = within[small[above]], above[small[above]]
        if within.size == 0:
            return shown
        order = np.lexsort((within, size[within], known[within], above))
        _, first = np.unique(above[order], return_index=True)
        shown = shown & ~_and_below(within[order][first], parent)


def shown_above(cells: Ints, shown: Flags, parent: Ints) -> Ints:
    """The next wider cell of each that is shown, or -1."""
    above = parent[cells]
    while (hidden := (above >= 0) & ~shown[above]).any():
        above[hidden] = parent[above[hidden]]
    return above


def _and_below(cells: Ints, parent: Ints) -> Flags:
    """Some cells and all within them, as flags of all cells."""
    found = np.zeros(parent.size, dtype=np.bool_)
    found[cells] = True
    while True:
        below = ~found & (parent >= 0)
        below[below] = found[parent[below]]
        if not below.any():
            return found
        found |= below

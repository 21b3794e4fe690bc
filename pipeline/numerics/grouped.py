"""Values of many overlapping groups, kept so that counting in a group is one search in one sorted array."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np

from pipeline.numerics.percentiles import Floats, Ints


@dataclass(frozen=True)
class Grouped:
    """Groups of values, each value in as many groups as you like.

    `levels` are all values, ascending, `member` the place of each among the values as given; `keys`,
    ascending, are group << bits | place in `levels`, an entry a membership. Groups are numbered from 0; a
    group without a member is in none of the arrays.
    """

    levels: Floats
    member: Ints
    keys: Ints
    bits: int

    @cached_property
    def ordered(self) -> Floats:
        """The values of all groups laid end to end, each group ascending: (memberships,)."""
        found: Floats = self.levels[self._place]
        return found

    @cached_property
    def _place(self) -> Ints:
        found: Ints = self.keys & ((1 << self.bits) - 1)
        return found

    @cached_property
    def bounds(self) -> tuple[Ints, Ints]:
        """The numbers of the groups (groups,); where each begins in `ordered`, and the end (groups + 1,)."""
        group = self.keys >> self.bits
        first = np.flatnonzero(np.diff(group, prepend=-1))
        return group[first], np.append(first, group.size)

    def standing(self, group: Ints) -> tuple[Ints, Ints, Ints, Ints]:
        """Where each value stands in one of its groups: (values,), -1 where in none, -> four times (n,).

        The places of the values that stand in one, group after group and upward in each; the place of the
        group among those of `bounds`; how many of the group are below each; how many others are equal to it.
        """
        of_entry = self.keys >> self.bits
        member = self.member[self._place]
        chosen = np.flatnonzero(group[member] == of_entry)
        another = np.diff(of_entry, prepend=-1) != 0
        above = np.append(True, self.ordered[1:] != self.ordered[:-1])[: of_entry.size]
        at = np.cumsum(another)[chosen] - 1
        lot = np.cumsum(another | above)[chosen] - 1
        first = np.flatnonzero(another | above)
        below = first[lot] - self.bounds[1][at]
        return member[chosen], at, below, np.diff(first, append=of_entry.size)[lot] - 1

    def below(self, at: Ints, value: Floats, or_equal: bool = False) -> Ints:
        """How many of a group, by its place among those of `bounds`, are below a value, or equal to it too:
        (n,), (n,) -> (n,).

        Several times as fast where the queries are in the order of `standing`, or nearly.
        """
        # In the order of the array that is searched, the search is several times as fast.
        order = np.argsort(value)
        place = np.empty(value.size, dtype=np.int64)
        place[order] = np.searchsorted(self.levels, value[order], side="right" if or_equal else "left")
        code, offsets = self.bounds
        found: Ints = np.searchsorted(self.keys, (code[at] << self.bits) + place) - offsets[at]
        return found


def group_values(group: Ints, member: Ints, values: Floats) -> Grouped:
    """Groups from memberships: (m,), (m,) and (n,), where `member` is the place of the value in `values`."""
    order = np.argsort(values)
    place = np.empty(values.size, dtype=np.int64)
    place[order] = np.arange(values.size)
    bits = max(1, int(values.size).bit_length())
    keys = group << bits
    keys |= place[member]
    keys.sort()
    return Grouped(values[order], order, keys, bits)


def ascending(keys: Ints) -> tuple[Ints, Ints]:
    """Numbers from 0 upward, sorted, and where each stood: (n,) -> (n,), (n,); equal ones as they came."""
    bits = int(keys.size).bit_length()
    if keys.max(initial=0) >> (63 - bits):
        order = np.argsort(keys, kind="stable")
        return keys[order], order
    # The place goes along behind the number: to sort numbers is several times as fast as to find their order.
    both = keys << bits
    both |= np.arange(keys.size)
    both.sort()
    return both >> bits, both & ((1 << bits) - 1)


def medians_of_ranges(values: Floats, first: Ints, size: Ints) -> Floats:
    """Median of `values[first:first + size]` for many ranges at once: (n,), (m,), (m,) -> (m,); size > 0."""
    found = np.empty(first.size)
    for n in np.flatnonzero(np.bincount(size)):
        rows = np.flatnonzero(size == n)
        block = np.sort(values[first[rows][:, None] + np.arange(n)], axis=1)
        found[rows] = (block[:, (n - 1) // 2] + block[:, n // 2]) / 2
    return found

"""Groups of values in one sorted array."""

from __future__ import annotations

import numpy as np
from hypothesis import given
from hypothesis import strategies as st

from pipeline.numerics.grouped import ascending, group_values, medians_of_ranges

values = st.lists(st.integers(-5, 5).map(float), min_size=1, max_size=30)
memberships = st.lists(st.tuples(st.integers(0, 4), st.integers(0, 29)), min_size=1, max_size=60, unique=True)


@given(values, memberships, st.integers(-6, 6))
def test_counting_is_counting(held: list[float], pairs: list[tuple[int, int]], edge: int) -> None:
    pairs = sorted({(group, member % len(held)) for group, member in pairs})
    group, member = np.array([p[0] for p in pairs]), np.array([p[1] for p in pairs])
    grouped = group_values(group, member, np.array(held))
    names, offsets = grouped.bounds
    assert names.tolist() == sorted(set(group.tolist()))
    for number, name in enumerate(names):
        own = sorted(held[m] for g, m in pairs if g == name)
        assert grouped.ordered[offsets[number] : offsets[number + 1]].tolist() == own
    at, edges = np.arange(names.size), np.full(names.size, float(edge))
    for or_equal in (False, True):
        counted = [sum(held[m] < edge + or_equal for g, m in pairs if g == name) for name in names]
        assert grouped.below(at, edges, or_equal).tolist() == counted


@given(values, memberships)
def test_a_value_stands_where_it_is_counted_to_stand(held: list[float], pairs: list[tuple[int, int]]) -> None:
    pairs = sorted({(group, member % len(held)) for group, member in pairs})
    grouped = group_values(np.array([p[0] for p in pairs]), np.array([p[1] for p in pairs]), np.array(held))
    one = {member: group for group, member in pairs}  # the last of its groups
    found = grouped.standing(np.array([one.get(member, -1) for member in range(len(held))]))
    assert sorted(found[0].tolist()) == sorted(one)
    names = grouped.bounds[0]
    for member, at, below, equal in zip(*(column.tolist() for column in found), strict=True):
        assert names[at] == one[member]
        own = [held[m] for g, m in pairs if g == one[member]]
        assert (below, equal) == (sum(v < held[member] for v in own), own.count(held[member]) - 1)
    order = [(one[member], held[member]) for member in found[0].tolist()]
    assert order == sorted(order)


@given(st.lists(st.one_of(st.integers(0, 9), st.integers(0, 2**62)), max_size=40))
def test_numbers_are_sorted_with_their_places(numbers: list[int]) -> None:
    keys, order = ascending(np.array(numbers, dtype=np.int64))
    assert keys.tolist() == sorted(numbers)
    assert order.tolist() == sorted(range(len(numbers)), key=numbers.__getitem__)


@given(st.lists(st.lists(st.floats(-1e6, 1e6), min_size=1, max_size=9), min_size=1, max_size=12))
def test_medians_are_numpys(ranges: list[list[float]]) -> None:
    size = np.array([len(one) for one in ranges])
    first = np.cumsum(size) - size
    found = medians_of_ranges(np.concatenate(ranges), first, size)
    assert found.tolist() == [float(np.median(one)) for one in ranges]

"""Medians of neighbours, against the plain definition."""

import numpy as np
from hypothesis import given
from hypothesis import strategies as st

from pipeline.numerics.neighbours import medians_around


@given(
    st.lists(st.lists(st.floats(-1e6, 1e6), min_size=1, max_size=12), min_size=1, max_size=5),
    st.integers(1, 5),
)
def test_it_is_the_median_of_the_neighbours_in_the_group(groups: list[list[float]], reach: int) -> None:
    values = np.array([value for group in groups for value in group])
    numbers = np.array([number for number, group in enumerate(groups) for _ in group])
    found, counts = medians_around(values, numbers, reach)
    place = 0
    for group in groups:
        for at in range(len(group)):
            others = group[max(0, at - reach) : at] + group[at + 1 : at + 1 + reach]
            assert counts[place] == len(others)
            if others:
                assert np.isclose(found[place], np.median(others), rtol=1e-12, atol=1e-9)
            else:
                assert np.isnan(found[place])
            place += 1


def test_no_values_give_none() -> None:
    found, counts = medians_around(np.array([]), np.array([], dtype=np.int64), 4)
    assert len(found) == len(counts) == 0

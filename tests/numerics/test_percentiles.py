"""Percentiles by definition 8 against numpy and a published vector; intervals counted exactly."""

from __future__ import annotations

from itertools import accumulate
from math import comb

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.stats import norm, quantile_test

from pipeline.numerics.percentiles import (
    order_statistic_interval,
    order_statistic_ranks,
    percentile_type8,
    percentiles_by_group,
)

SHARES = [0.05, 0.10, 0.25, 0.50, 0.75, 0.90, 0.95]
samples = st.lists(st.floats(-1e6, 1e6), min_size=1, max_size=40)


def test_worked_example() -> None:
    """Ten values worked by hand with h = (n + 1/3) p + 1/3 (Hyndman & Fan 1996, Am Stat 50:361-365)."""
    values = [31.2, 33.0, 34.1, 35.5, 36.0, 37.2, 38.8, 40.1, 41.5, 44.0]
    found = percentile_type8(values, [0.10, 0.25, 0.50, 0.75, 0.90])
    assert found == pytest.approx([31.86, 34.00833, 36.60, 40.21667, 43.08333], abs=5e-6)


@given(samples, st.lists(st.floats(0, 1), min_size=1, max_size=5))
def test_is_numpys_median_unbiased(values: list[float], shares: list[float]) -> None:
    expected = np.quantile(values, shares, method="median_unbiased")
    assert percentile_type8(values, shares) == pytest.approx(expected, rel=1e-9, abs=1e-6)


@settings(deadline=None)
@given(st.lists(samples, min_size=1, max_size=6))
def test_groups_are_as_each_alone(groups: list[list[float]]) -> None:
    offsets = np.cumsum([0, *(len(group) for group in groups)])
    ordered = np.concatenate([np.sort(group) for group in groups])
    together = percentiles_by_group(ordered, offsets, SHARES)
    assert together.shape == (len(groups), len(SHARES))
    for row, group in zip(together, groups, strict=True):
        assert row.tolist() == percentile_type8(group, SHARES).tolist()


def test_ends_are_the_smallest_and_largest() -> None:
    assert percentile_type8([3.0, 1.0, 2.0], [0.0, 0.05, 0.95, 1.0]).tolist() == [1.0, 1.0, 3.0, 3.0]


def test_no_value_is_an_error() -> None:
    with pytest.raises(ValueError, match="at least one value"):
        percentile_type8([], [0.5])


@given(st.integers(1, 100), st.sampled_from([5, 10, 25, 50, 75, 90, 95]))
def test_interval_is_the_narrowest_with_both_tails_small(n: int, percent: int) -> None:
    """Counted in whole numbers: of 100^n equally likely draws, those with k values below the percentile."""
    draws = [comb(n, k) * percent**k * (100 - percent) ** (n - k) for k in range(n + 1)]
    below = list(accumulate(draws))
    tail = 100**n * 5 // 100
    low = max((r for r in range(1, n + 1) if below[r - 1] <= tail), default=None)
    high = min((r for r in range(1, n + 1) if 100**n - below[r - 1] <= tail), default=None)
    expected = None if low is None or high is None else (low, high)
    assert order_statistic_interval(n, percent / 100) == expected


def test_interval_of_a_median() -> None:
    """95 % ranks of the median of 6, 10, 20 values, as sign-test tables print them (from memory)."""
    assert order_statistic_interval(5, 0.5, 0.95) is None
    assert [order_statistic_interval(n, 0.5, 0.95) for n in (6, 10, 20)] == [(1, 6), (2, 9), (6, 15)]


def test_ranks_of_many_sizes() -> None:
    sizes = np.array([100, 3, 8, 100])
    low, high = order_statistic_ranks(sizes, 0.5)
    alone = [order_statistic_interval(int(n), 0.5) or (0, 0) for n in sizes]
    assert list(zip(low.tolist(), high.tolist(), strict=True)) == alone


@pytest.mark.parametrize("n", [8, 9, 20, 21, 39, 40, 99, 100, 137])
def test_interval_is_scipys(n: int) -> None:
    """The order statistics that `quantile_test` gives of the values 1 … n; where one end is open there, none
    is told here."""
    for p in SHARES:
        interval = quantile_test(np.arange(1, n + 1.0), p=p).confidence_interval(0.90)
        open_ended = np.isnan([interval.low, interval.high]).any()
        assert order_statistic_interval(n, p) == (None if open_ended else (interval.low, interval.high))


@pytest.mark.parametrize(
    ("n", "share"), [(8, 0.5), (20, 0.25), (20, 0.75), (40, 0.1), (40, 0.9), (100, 0.05), (100, 0.95)]
)
def test_every_percentile_that_is_told_is_covered_at_the_smallest_size(n: int, share: float) -> None:
    """Of 4 000 samples of a skewed distribution (log-normal, SD of logs 0.5) the interval has the truth in
    90 % or more, less 1.5 % chance; and in no more than 97.5 %, for ranks are whole numbers."""
    ranks = order_statistic_interval(n, share)
    assert ranks is not None
    samples = np.sort(np.exp(np.random.default_rng(n).normal(0, 0.5, (4000, n))), axis=1)
    truth = np.exp(0.5 * norm.ppf(share))
    covered = ((samples[:, ranks[0] - 1] <= truth) & (truth <= samples[:, ranks[1] - 1])).mean()
    print(f"\nP{100 * share:.0f} of {n}: covered {covered:.3f}")
    assert 0.885 <= covered <= 0.975


def test_interval_covers_as_often_as_it_says() -> None:
    """P10 of 40 uniform values: inside in at least 90 % of 4000 samples, less 1.5 % chance."""
    ranks = order_statistic_interval(40, 0.10)
    assert ranks is not None
    ordered = np.sort(np.random.default_rng(1).random((4000, 40)), axis=1)
    inside = (ordered[:, ranks[0] - 1] <= 0.10) & (ordered[:, ranks[1] - 1] >= 0.10)
    assert inside.mean() > 0.885

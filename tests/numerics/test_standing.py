"""Where a value stands, and how well that is known."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.stats import binomtest, norm

from pipeline.numerics.standing import joined_limit, median_error_factor, wilson_interval, without_self


@given(st.integers(1, 200), st.floats(0, 1))
def test_wilson_is_scipys(n: int, share: float) -> None:
    k = round(share * n)
    low, high = wilson_interval(np.array([float(k)]), np.array([n]))
    expected = binomtest(k, n).proportion_ci(0.90, method="wilson")
    assert (low[0], high[0]) == pytest.approx((expected.low, expected.high), abs=1e-12)


def test_error_of_a_median_against_a_simulation() -> None:
    """200 000 samples of standard normal values a size: within 1.5 % (the simulation is good to 0.5 %)."""
    rng = np.random.default_rng(11)
    for n in (1, 2, 3, 4, 5, 9, 12):
        simulated = np.median(rng.normal(size=(200_000, n)), axis=1).std()
        assert median_error_factor(np.array([n]))[0] == pytest.approx(simulated, rel=0.015), n


@given(st.lists(st.floats(-50, 50), min_size=3, max_size=20), st.integers(0, 19))
def test_moments_without_self_are_those_of_the_others(values: list[float], which: int) -> None:
    which %= len(values)
    own, all_of = values[which], np.array(values)
    found = without_self(
        np.array([own]), np.array([len(values)]), np.array([all_of.mean()]), np.array([all_of.std(ddof=1)])
    )
    others = np.delete(all_of, which)
    assert found[0][0] == pytest.approx(others.mean(), abs=1e-9)
    assert found[1][0] == pytest.approx(others.std(ddof=1), abs=1e-4)


def test_others_that_are_equal_have_no_spread() -> None:
    values = np.array([0.1, 0.1, 0.1, 0.1, 7.0])
    _, spread = without_self(
        values[-1:], np.array([5]), np.array([values.mean()]), np.array([values.std(ddof=1)])
    )
    assert spread[0] == 0.0


@given(st.floats(0, 1), st.floats(0, 1), st.floats(0, 1))
def test_joined_ends_are_no_nearer_than_either_and_no_farther_than_their_sum(p, a, b) -> None:
    low = joined_limit(np.array([p]), np.array([min(a, p)]), np.array([min(b, p)]))[0]
    assert low <= min(a, b, p) + 1e-12
    assert low >= min(a, p) + min(b, p) - p - 1e-12


@pytest.mark.parametrize("others", [8, 20, 50, 200])
@pytest.mark.parametrize("error", [0.1, 0.3, 0.5])
def test_coverage_of_the_percentile_interval(others: int, error: float) -> None:
    """How often the 90 % interval holds the percentile of an athlete's true level; run with -s to see it.

    Model: levels and errors are normal; `error` is the SD of the athlete's error in SDs of what is observed
    in the group. The truth is the share of all observed values below the athlete's true level. A case has
    20 000 athletes. The interval may be wide (0.90 or more), never much too narrow.
    """
    rng = np.random.default_rng(others * 100 + int(error * 10))
    cases = 20_000
    level = rng.normal(0, np.sqrt(1 - error**2), cases)
    seen = level + rng.normal(0, error, cases)
    group = np.sort(rng.normal(size=(cases, others)), axis=1)
    half = 1.6448536 * error
    below, low, high = (
        (group < edge[:, None]).sum(axis=1) / others for edge in (seen, seen - half, seen + half)
    )
    few, many = wilson_interval(below * others, np.full(cases, others))
    bottom = joined_limit(below, np.minimum(low, below), np.minimum(few, below))
    top = joined_limit(below, np.maximum(high, below), np.maximum(many, below))
    truth = norm.cdf(level)
    covered = np.mean((bottom <= truth) & (truth <= top))
    print(
        f"\n{others} others, error {error} SD: covered {covered:.3f}, width {100 * np.mean(top - bottom):.0f}"
    )
    assert 0.88 <= covered <= 0.985

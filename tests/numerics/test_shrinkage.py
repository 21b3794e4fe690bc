"""Group means and SDs, and what draws them toward their parent's."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.stats import f_oneway

from pipeline.numerics.percentiles import Floats
from pipeline.numerics.shrinkage import between_variance, group_moments, shrink

samples = st.lists(st.floats(-1e3, 1e3), min_size=1, max_size=12)


def _moments(groups: list[Floats]) -> tuple[np.ndarray, Floats, Floats]:
    size = np.array([len(group) for group in groups])
    return size, *group_moments(np.concatenate(groups), np.append(0, np.cumsum(size)))


@given(st.lists(samples, min_size=1, max_size=5))
def test_moments_are_numpys(groups: list[list[float]]) -> None:
    _, mean, sd = _moments([np.array(group) for group in groups])
    assert mean == pytest.approx([np.mean(group) for group in groups], abs=1e-9)
    spread = [np.std(group, ddof=1) if len(group) > 1 else np.nan for group in groups]
    assert sd == pytest.approx(spread, abs=1e-6, nan_ok=True)


def test_equal_values_have_no_spread() -> None:
    _, mean, sd = _moments([np.full(7, 0.1)])
    assert (mean[0], sd[0]) == (0.1, 0.0)


def test_between_variance_of_equal_groups() -> None:
    """Groups of n: (mean square between - mean square within) / n, the first by scipy's F."""
    rng = np.random.default_rng(3)
    groups = [rng.normal(centre, 1.0, 12) for centre in (10.0, 12.0, 15.0)]
    within = float(np.mean([np.var(group, ddof=1) for group in groups]))
    between = within * f_oneway(*groups).statistic
    size, mean, sd = _moments([np.sort(np.concatenate(groups)), *groups])
    found = between_variance(size, mean, sd, np.array([-1, 0, 0, 0]))
    assert found[0] == pytest.approx((between - within) / 12)
    assert found[1:].tolist() == [0.0, 0.0, 0.0]


def test_unequal_groups_give_back_the_variance_on_average() -> None:
    """200 sets of 30 groups of 2 to 20: true SD between 2, within 3; the mean estimate is 4 within 0.35."""
    rng = np.random.default_rng(4)
    found = []
    for _ in range(200):
        size = rng.integers(2, 21, 30)
        groups = [rng.normal(rng.normal(50, 2), 3, n) for n in size]
        size, mean, sd = _moments([np.concatenate(groups), *groups])
        found.append(between_variance(size, mean, sd, np.array([-1] + [0] * 30))[0])
    assert np.mean(found) == pytest.approx(4.0, abs=0.35)


def test_nothing_says_that_groups_differ() -> None:
    """One child, or children of one athlete each: the parent's mean stands."""
    size = np.array([10, 9, 1])
    mean, sd = np.array([5.0, 5.5, 9.0]), np.array([1.0, 1.2, np.nan])
    assert between_variance(size, mean, sd, np.array([-1, 0, -1]))[0] == 0.0
    assert between_variance(np.array([2, 1, 1]), mean, sd, np.array([-1, 0, 0]))[0] == 0.0
    assert shrink(size, mean, sd, np.array([-1, 0, -1]))[0][1] == 5.0


def test_between_variance_is_never_negative() -> None:
    """Two groups with equal means and a spread within: the estimate would be -4/8."""
    size, mean, sd = np.array([16, 8, 8]), np.full(3, 12.0), np.full(3, 2.0)
    assert between_variance(size, mean, sd, np.array([-1, 0, 0])).tolist() == [0.0, 0.0, 0.0]


def test_shrink_by_hand() -> None:
    """Two children of 8 with means 10 and 14, SD 2: mean squares 64 and 4, tau² 7.5, noise 0.5, B = 1/16."""
    size = np.array([16, 8, 8])
    mean, sd = np.array([12.0, 10.0, 14.0]), np.array([3.0, 2.0, 2.0])
    shrunk_mean, shrunk_sd = shrink(size, mean, sd, np.array([-1, 0, 0]))
    assert shrunk_mean == pytest.approx([12.0, 10.0 + 2 / 16, 14.0 - 2 / 16])
    assert shrunk_sd**2 == pytest.approx([9.0, (8 * 9 + 7 * 4) / 15, (8 * 9 + 7 * 4) / 15])

"""Errors from repeats, their degrees of freedom, and how borrowed figures enter."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import stats

from pipeline.numerics.reliability import (
    Spread,
    as_percent,
    blend,
    error_interval,
    from_percent,
    of_differences,
    smallest_detectable,
    true_spread,
)

NONE = Spread(np.array([np.nan]), np.array([0.0]))


def of(value: float) -> np.ndarray:
    return np.array([value])


@pytest.mark.parametrize("sessions", [2, 3, 6])
def test_differences_of_one_run_share_sessions_and_the_interval_knows_it(sessions: int) -> None:
    """20,000 pools of ten athletes: the variance without bias, the 90 % interval right 90 times of 100."""
    rng = np.random.default_rng(1)
    d = np.diff(rng.normal(0, 2, (20_000, 10, sessions)) + 0.7 * np.arange(sessions), axis=2).reshape(
        20_000, -1
    )
    count = np.full(20_000, float(d.shape[1]))
    found = of_differences((d**2).sum(axis=1), d.sum(axis=1), count, np.full(20_000, 10.0))
    assert found.variance.mean() == pytest.approx(4, rel=0.01)
    low, high = error_interval(found, 0.90)
    assert ((low <= 2) & (high >= 2)).mean() == pytest.approx(0.90, abs=0.012)


def test_the_interval_of_an_error_is_scipys() -> None:
    low, high = error_interval(Spread(of(9.0), of(19.0)), 0.90)
    assert low[0] == pytest.approx(3 * np.sqrt(19 / stats.chi2.ppf(0.95, 19)))
    assert high[0] == pytest.approx(3 * np.sqrt(19 / stats.chi2.ppf(0.05, 19)))
    assert (low[0] / 3, high[0] / 3) == (pytest.approx(0.79, abs=0.005), pytest.approx(1.37, abs=0.005))


def test_own_and_borrowed_errors_blend_by_degrees_of_freedom() -> None:
    """Borrowed 3.0, own 4.2 with 12 degrees: 3.7031 (worked by hand in the methods)."""
    found = blend(Spread(of(4.2**2), of(12.0)), of(3.0))
    assert np.sqrt(found.variance[0]) == pytest.approx(3.7031, abs=5e-5) and found.degrees[0] == 22
    assert blend(NONE, of(3.0)) == (pytest.approx(9.0), pytest.approx(10.0))
    assert np.isnan(blend(NONE, of(np.nan)).variance[0])


@given(st.floats(0.1, 10), st.floats(0.1, 10), st.floats(1, 100))
def test_a_blend_lies_between_the_two(own: float, borrowed: float, degrees: float) -> None:
    error = float(np.sqrt(blend(Spread(of(own**2), of(degrees)), of(borrowed)).variance[0]))
    assert min(own, borrowed) - 1e-9 <= error <= max(own, borrowed) + 1e-9


def test_small_helpers() -> None:
    assert smallest_detectable(of(0.02))[0] == pytest.approx(0.05544, abs=5e-6)  # 1.96 sqrt 2 x 0.02
    assert as_percent(of(0.05))[0] == pytest.approx(5.127, abs=1e-3)
    assert from_percent(as_percent(of(0.3)))[0] == pytest.approx(0.3)
    assert true_spread(of(5.0), of(9.0))[0] == 4 and np.isnan(true_spread(of(2.0), of(9.0))[0])

"""The LMS method."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from pipeline.numerics.lms import fit_lms, fit_log_quadratic, lms_value, lms_z


def one(z_of: tuple[float, ...]) -> float:
    return float(lms_z(*(np.array([number]) for number in z_of))[0])


def test_published_vector() -> None:
    """A girl of 365 days and 9 kg: z = 0.04885. L, M, S: WHO Child Growth Standards 2006, weight for age.

    The row and its result were seen in a worked example (figshare 4294085); recomputed by hand.
    """
    lms = (-0.2022, 8.9462, 0.12267)
    assert one((9.0, *lms)) == pytest.approx(0.048847178, abs=1e-8)
    back = lms_value(0.048847178, *(np.array([number]) for number in lms))
    assert back[0] == pytest.approx(9.0, abs=1e-6)


def test_another_vector() -> None:
    """Computed with the formula of Cole & Green 1992 by hand: ((42/36)^-0.4 - 1) / (-0.4 · 0.16)."""
    assert one((42.0, -0.4, 36.0, 0.16)) == pytest.approx(((42 / 36) ** -0.4 - 1) / (-0.4 * 0.16))
    assert one((42.0, -0.4, 36.0, 0.16)) == pytest.approx(0.93434, abs=5e-6)


def test_l_near_zero_is_the_logarithm() -> None:
    exact = np.log(42 / 36) / 0.16
    assert one((42.0, 0.0, 36.0, 0.16)) == pytest.approx(exact, abs=1e-12)
    assert one((42.0, 1e-9, 36.0, 0.16)) == pytest.approx(exact, abs=1e-8)
    assert one((42.0, 1e-6, 36.0, 0.16)) == pytest.approx(exact, abs=1e-5)


@given(st.floats(-3, 3), st.floats(1, 100), st.floats(0.03, 0.2), st.floats(-1.6, 1.6))
def test_there_and_back(power: float, median: float, spread: float, z: float) -> None:
    lms = tuple(np.array([number]) for number in (power, median, spread))
    value = lms_value(z, *lms)
    assert lms_z(value, *lms)[0] == pytest.approx(z, abs=1e-6)


def test_a_fit_gives_back_the_curve_that_values_were_drawn_from() -> None:
    """6 000 values of L -0.6, M 30 at 14, S 0.12: L within 0.25, M within 1 %, S within 5 % at any age."""
    rng = np.random.default_rng(5)
    age = rng.uniform(10, 18, 6_000)
    u = (age - 14) / 4
    median, spread = 30 * np.exp(0.25 * u - 0.05 * u**2), 0.12 * np.exp(-0.1 * u)
    value = lms_value(0.0, np.full(age.size, -0.6), median, spread)
    z = rng.normal(size=age.size)
    value = median * (1 - 0.6 * spread * z) ** (-1 / 0.6)
    curve = fit_lms(age, value)
    at = np.array([10.5, 14.0, 17.5])
    power, m, s = curve.at(at)
    w = (at - 14) / 4
    assert power[0] == pytest.approx(-0.6, abs=0.25)
    assert m == pytest.approx(30 * np.exp(0.25 * w - 0.05 * w**2), rel=0.01)
    assert s == pytest.approx(0.12 * np.exp(-0.1 * w), rel=0.05)
    found = lms_z(value, *curve.at(age))
    assert (found.mean(), found.std()) == pytest.approx((0, 1), abs=0.01)


def test_no_other_curve_is_more_likely() -> None:
    """The slopes of the likelihood are right: a step away from the fit in any direction is worse."""
    rng = np.random.default_rng(6)
    age = rng.uniform(10, 18, 300)
    value = 30 * np.exp(0.2 * (age - 14) / 4 + rng.gamma(4, 0.05, age.size))
    fit = fit_lms(age, value)

    def likelihood(p: np.ndarray) -> float:
        u = (age - 14) / 4
        m, s = np.exp(p[1] + p[2] * u + p[3] * u**2), np.exp(p[4] + p[5] * u)
        z = lms_z(value, np.full(age.size, p[0]), m, s)
        return float((p[0] * np.log(value / m) - np.log(s) - z**2 / 2).sum())

    best = np.array([fit.l, *fit.ln_m, *fit.ln_s])
    for direction in np.eye(6):
        for step in (-0.01, 0.01):
            assert likelihood(best + step * direction) < likelihood(best)


def test_the_log_quadratic_is_numpys_polynomial() -> None:
    rng = np.random.default_rng(7)
    age = rng.uniform(10, 18, 60)
    value = np.exp(3 + 0.1 * age + rng.normal(0, 0.1, 60))
    _, median, spread = fit_log_quadratic(age, value).at(age)
    expected = np.polyval(np.polyfit(age, np.log(value), 2), age)
    assert np.log(median) == pytest.approx(expected, abs=1e-9)
    residual = np.log(value) - expected
    assert spread == pytest.approx(np.full(60, np.sqrt((residual**2).sum() / 57)))

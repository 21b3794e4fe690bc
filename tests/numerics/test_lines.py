from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
import scipy
from hypothesis import given
from hypothesis import strategies as st
from scipy.stats import linregress, t

from pipeline.numerics.lines import (
    FEWEST_TO_POOL,
    Lines,
    fieller_interval,
    fit_lines,
    pooled_variance,
    prediction_interval,
    reach,
    t_quantile,
)


def one(x: list[float], y: list[float]) -> Lines:
    return fit_lines(np.array(x, dtype=float), np.array(y, dtype=float), np.zeros(len(x), dtype=np.int64))


def norris() -> tuple[np.ndarray, np.ndarray]:
    """NIST StRD Norris, 36 pairs, as the scipy wheel carries it (US Government work)."""
    path = Path(scipy.__file__).parent / "stats/tests/data/nist_linregress/Norris.dat"
    if not path.is_file():
        pytest.skip("this build of scipy comes without its test data")
    rows = np.array([line.split() for line in path.read_text(encoding="ascii").splitlines()[60:96]], float)
    return rows[:, 1], rows[:, 0]


def test_norris_to_the_certified_digits() -> None:
    # NIST StRD, certified values (Norris, J., NIST: calibration of ozone monitors); file in the scipy wheel.
    x, y = norris()
    lines = fit_lines(x, y, np.zeros(36, dtype=np.int64))
    assert lines.intercept[0] == pytest.approx(-0.262323073774029, rel=1e-9)
    assert lines.slope[0] == pytest.approx(1.00211681802045, rel=1e-12)
    assert lines.intercept_se[0] == pytest.approx(0.232818234301152, rel=1e-9)
    assert lines.slope_se[0] == pytest.approx(0.429796848199937e-03, rel=1e-9)
    assert lines.residual_sd[0] == pytest.approx(0.884796396144373, rel=1e-9)
    assert lines.residual_ss[0] == pytest.approx(26.6173985294224, rel=1e-9)
    assert lines.df[0] == 34


def test_leading_digits_that_never_change_cost_nothing() -> None:
    x, y = norris()
    plain = fit_lines(x, y, np.zeros(36, dtype=np.int64))
    # One part in 2^40 is exact at this size, so the shifted numbers differ from the plain by nothing else.
    x, y = np.round(x * 2**10) / 2**10, np.round(y * 2**10) / 2**10
    near = fit_lines(x, y, np.zeros(36, dtype=np.int64))
    far = fit_lines(x + 2.0**40, y - 2.0**40, np.zeros(36, dtype=np.int64))
    assert far.slope[0] == pytest.approx(near.slope[0], rel=1e-12)
    assert far.residual_ss[0] == pytest.approx(near.residual_ss[0], rel=1e-9)
    assert near.residual_ss[0] == pytest.approx(plain.residual_ss[0], rel=1e-3)


def test_every_group_is_a_regression_of_its_own() -> None:
    draw = np.random.default_rng(6)
    groups = draw.integers(0, 40, 600)
    x = draw.normal(5.0, 2.0, 600) + groups
    y = 3.0 - 0.4 * x + draw.normal(0.0, 0.2, 600) + groups % 7
    lines = fit_lines(x, y, groups)
    for g in range(40):
        alone = linregress(x[groups == g], y[groups == g])
        assert lines.slope[g] == pytest.approx(alone.slope, rel=1e-10)
        assert lines.intercept[g] == pytest.approx(alone.intercept, rel=1e-10)
        assert lines.slope_se[g] == pytest.approx(alone.stderr, rel=1e-10)
        assert lines.intercept_se[g] == pytest.approx(alone.intercept_stderr, rel=1e-10)


def test_covariance_is_that_of_the_normal_equations() -> None:
    x, y = np.array([0.0, 10, 20, 30]), np.array([8.1, 6.9, 5.8, 4.6])
    lines = fit_lines(x, y, np.zeros(4, dtype=np.int64))
    design = np.column_stack([np.ones(4), x])
    expected = np.linalg.inv(design.T @ design) * lines.residual_variance[0]
    assert lines.covariance[0] == pytest.approx(expected[0, 1], rel=1e-10)
    assert lines.intercept_se[0] ** 2 == pytest.approx(expected[0, 0], rel=1e-10)


def test_too_few_points_give_no_number_rather_than_a_wrong_one() -> None:
    groups = np.array([1, 2, 2, 3, 3, 3], dtype=np.int64)
    lines = fit_lines(np.array([1.0, 1, 2, 4, 4, 4]), np.array([5.0, 1, 3, 1, 2, 3]), groups, 5)
    assert lines.n.tolist() == [0, 1, 2, 3, 0]
    assert np.isnan(lines.slope).tolist() == [True, True, False, True, True]
    assert lines.slope[2] == 2.0
    assert np.isnan(lines.slope_se).all()
    assert np.isnan(lines.residual_sd).all()


@given(
    scale=st.floats(0.01, 100),
    shift=st.floats(-100, 100),
    seed=st.integers(0, 2**32 - 1),
    n=st.integers(3, 9),
)
def test_a_change_of_unit_changes_only_the_unit(scale: float, shift: float, seed: int, n: int) -> None:
    draw = np.random.default_rng(seed)
    x, y, groups = np.arange(n) + draw.uniform(0, 0.5, n), draw.normal(0, 1, n), np.zeros(n, dtype=np.int64)
    lines, other = fit_lines(x, y, groups), fit_lines(scale * x + shift, y, groups)
    assert other.slope[0] * scale == pytest.approx(lines.slope[0], rel=1e-7, abs=1e-9)
    assert other.residual_ss[0] == pytest.approx(lines.residual_ss[0], rel=1e-7, abs=1e-9)
    assert other.at(scale * 2.0 + shift)[0] == pytest.approx(lines.at(2.0)[0], rel=1e-7, abs=1e-7)


@given(seed=st.integers(0, 2**32 - 1))
def test_the_order_of_rows_does_not_matter(seed: int) -> None:
    draw = np.random.default_rng(seed)
    groups, x, y = draw.integers(0, 4, 30), draw.normal(0, 1, 30), draw.normal(0, 1, 30)
    order = draw.permutation(30)
    lines, other = fit_lines(x, y, groups, 4), fit_lines(x[order], y[order], groups[order], 4)
    np.testing.assert_allclose(other.slope, lines.slope, rtol=1e-9)
    np.testing.assert_allclose(other.intercept_se, lines.intercept_se, rtol=1e-9)


def test_a_line_fits_its_load_vector() -> None:
    # methods/vectors: loads 0, 10, 20, 30; velocities 8.1, 6.9, 5.8, 4.6 (computed with the notes).
    lines = one([0, 10, 20, 30], [8.1, 6.9, 5.8, 4.6])
    assert lines.intercept[0] == pytest.approx(8.090, abs=5e-4)
    assert lines.slope[0] == pytest.approx(-0.1160, abs=5e-5)
    assert -0.5 * lines.intercept[0] / lines.slope[0] == pytest.approx(34.871, abs=5e-4)


def test_prediction_interval_of_a_bench_of_four_loads() -> None:
    # methods B6, computed with the notes: L on v, estimate at 0.30 m/s 138.3 kg, residual 0.448 kg.
    lines = one([0.98, 0.80, 0.63, 0.46], [60, 80, 100, 120])
    assert lines.at(0.30)[0] == pytest.approx(138.3, abs=0.05)
    assert lines.residual_sd[0] == pytest.approx(0.448, abs=5e-4)
    low, high = prediction_interval(lines, 0.30, lines.residual_variance, lines.df, 0.90)
    by_hand = t.ppf(0.95, 2) * 0.448 * np.sqrt(1 + 1 / 4 + (0.30 - 0.7175) ** 2 / lines.sxx[0])
    assert (high[0] - low[0]) / 2 == pytest.approx(by_hand, rel=2e-3)


def test_t_quantiles_from_one_degree_to_the_normal() -> None:
    assert t_quantile(np.array([1.0, 2.0]), 0.90) == pytest.approx([6.314, 2.920], abs=5e-4)  # t tables
    assert t_quantile(np.inf, 0.95) == pytest.approx(1.959964, abs=1e-6)
    assert np.isnan(t_quantile(0.0, 0.95))


def test_fieller_is_the_set_of_ratios_that_are_not_rejected() -> None:
    top, bottom, vt, vb, c, quantile = 8.0, 0.12, 0.04, 0.00015, 0.0012, 2.0
    arrays = [np.array([v]) for v in (top, bottom, vt, vb, c, quantile)]
    low, high = fieller_interval(*arrays)
    for r in (low[0], high[0]):
        assert abs(top - r * bottom) == pytest.approx(quantile * np.sqrt(vt - 2 * r * c + r * r * vb))
    assert low[0] < top / bottom < high[0]


def test_fieller_says_nothing_where_the_bottom_may_be_zero() -> None:
    values = [np.array([v]) for v in (8.0, 0.1, 0.04, 0.01, 0.0, 2.0)]
    low, high = fieller_interval(*values)
    assert np.isnan(low[0])
    assert np.isnan(high[0])


def simulated(trials: int, n: int, sd: float, seed: int) -> tuple[np.ndarray, Lines]:
    x = np.tile(np.linspace(0.0, 30.0, n), trials)
    groups = np.repeat(np.arange(trials), n)
    y = 8.0 - 0.11 * x + np.random.default_rng(seed).normal(0.0, sd, x.size)
    return groups, fit_lines(x, y, groups)


def test_intervals_cover_as_often_as_they_say() -> None:
    """20,000 lines of 5 points: slope, further point, and the x that reaches a height, at 95 %."""
    _, lines = simulated(20_000, 5, 0.1, seed=61)
    quantile = t_quantile(lines.df, 0.95)
    assert np.mean(abs(lines.slope + 0.11) < quantile * lines.slope_se) == pytest.approx(0.95, abs=0.006)
    low, high = prediction_interval(lines, 40.0, lines.residual_variance, lines.df, 0.95)
    further = 8.0 - 4.4 + np.random.default_rng(62).normal(0.0, 0.1, low.size)
    assert np.mean((low < further) & (further < high)) == pytest.approx(0.95, abs=0.006)
    _, low, high = reach(lines, 4.0, lines.residual_variance, lines.df, 0.95)
    true = 4.0 / 0.11
    bounded = np.isfinite(low)
    assert bounded.mean() > 0.99
    assert np.mean((low < true) & (true < high) | ~bounded) == pytest.approx(0.95, abs=0.006)


def test_pooling_lends_what_the_pool_knows() -> None:
    """Three points a line leave one degree of freedom; equal variances pool to nearly the truth."""
    _, lines = simulated(200, 3, 0.1, seed=63)
    variance, df = pooled_variance(lines.residual_ss, lines.df, np.zeros(200, dtype=np.int64))
    assert np.sqrt(variance).mean() == pytest.approx(0.1, rel=0.1)
    assert df.min() > 20
    assert df.max() <= 200
    half = t_quantile(df, 0.95) * np.sqrt(variance / lines.sxx)
    assert np.mean(abs(lines.slope + 0.11) < half) == pytest.approx(0.95, abs=0.04)


def test_pooled_intervals_cover_when_the_lines_differ_in_noise() -> None:
    """Variances drawn from the very prior of the method (nu0 = 8): 95 % intervals, 300 pools of 40 lines."""
    draw = np.random.default_rng(64)
    pools = np.repeat(np.arange(300), 40)
    sd = 0.1 * np.sqrt(8 / draw.chisquare(8, pools.size))
    x = np.tile([0.0, 10.0, 20.0, 30.0], pools.size)
    groups = np.repeat(np.arange(pools.size), 4)
    y = 8.0 - 0.11 * x + draw.normal(0.0, 1.0, x.size) * np.repeat(sd, 4)
    lines = fit_lines(x, y, groups)
    variance, df = pooled_variance(lines.residual_ss, lines.df, pools)
    half = t_quantile(df, 0.95) * np.sqrt(variance / lines.sxx)
    covered = np.mean(abs(lines.slope + 0.11) < half)
    assert 0.935 < covered < 0.965, covered  # 0.940: nu0 is itself an estimate from 40 lines
    own_half = t_quantile(lines.df, 0.95) * lines.slope_se
    assert np.median(half) < 0.75 * np.median(own_half)


def test_a_small_pool_lends_nothing() -> None:
    ss, df = np.array([0.02, 0.04]), np.array([1, 2])
    assert FEWEST_TO_POOL == 3
    variance, freedom = pooled_variance(ss, df, np.zeros(2, dtype=np.int64))
    assert variance == pytest.approx([0.02, 0.02])
    assert freedom.tolist() == [1.0, 2.0]


def test_a_line_without_freedom_borrows_all() -> None:
    ss, df = np.array([0.02, 0.02, 0.02, 0.0]), np.array([2, 2, 2, 0])
    variance, freedom = pooled_variance(ss, df, np.zeros(4, dtype=np.int64))
    assert variance[3] == pytest.approx(0.01)
    assert freedom[3] == 6.0
    alone, none = pooled_variance(ss[3:], df[3:], np.zeros(1, dtype=np.int64))
    assert np.isnan(alone[0])
    assert none[0] == 0.0


def test_perfect_lines_do_not_break_the_pool() -> None:
    ss, df = np.array([0.0, 0.0, 0.0, 0.02]), np.array([2, 2, 2, 2])
    variance, freedom = pooled_variance(ss, df, np.zeros(4, dtype=np.int64))
    assert np.isfinite(variance).all()
    assert np.isfinite(freedom).all()

"""The sprint model: laws of the curve, runs whose answer is known, and how often error bars are right."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.stats import t as student

from pipeline.numerics.sprint import (
    distance_at,
    fit_passages,
    fit_position,
    fit_splits,
    fit_velocity,
    share_of_top_speed,
    split_at,
    time_at,
)
from pipeline.numerics.sprint_forces import Surroundings, drag_constant, force_errors, sprint_forces

Floats = npt.NDArray[np.float64]
GATES = np.array([5.0, 10.0, 15.0, 20.0, 30.0, 40.0])

vmaxes = st.floats(5.0, 12.5)
taus = st.floats(0.6, 1.8)
offsets = st.floats(0.0, 2.0)


def arr(*values: float) -> Floats:
    return np.array(values, dtype=np.float64)


def all_used(y: Floats) -> npt.NDArray[np.bool_]:
    return np.ones(y.shape, dtype=bool)


@settings(deadline=None)
@given(vmaxes, taus, st.floats(1e-3, 400.0))
def test_time_and_distance_are_inverse(vmax: float, tau: float, distance: float) -> None:
    there = time_at(arr(distance), arr(vmax), arr(tau))
    assert distance_at(there, arr(vmax), arr(tau))[0] == pytest.approx(distance, rel=1e-9)


@settings(deadline=None)
@given(vmaxes, taus, st.floats(0.5, 100.0))
def test_a_start_on_the_gate_is_the_plain_model(vmax: float, tau: float, distance: float) -> None:
    args = arr(vmax), arr(tau)
    assert split_at(arr(distance), arr(0.0), *args)[0] == time_at(arr(distance), *args)[0]


@settings(deadline=None)
@given(vmaxes, taus, offsets)
def test_a_perfect_run_gives_back_its_two_numbers(vmax: float, tau: float, offset: float) -> None:
    splits = split_at(GATES, arr(offset), arr(vmax), arr(tau))[None, :]
    fit = fit_splits(GATES[None, :], splits, arr(offset), all_used(splits))
    assert fit.settled[0]
    assert fit.vmax_m_s[0] == pytest.approx(vmax, rel=1e-6)
    assert fit.tau_s[0] == pytest.approx(tau, rel=1e-6)


@settings(deadline=None)
@given(vmaxes, taus, st.floats(0.05, 20.0), st.floats(0.05, 20.0))
def test_a_change_of_unit_changes_only_the_unit(vmax: float, tau: float, metre: float, second: float) -> None:
    rng = np.random.default_rng(1)
    splits = split_at(GATES, arr(0.3), arr(vmax), arr(tau))[None, :] + rng.normal(0, 0.01, (1, 6))
    fit = fit_splits(GATES[None, :], splits, arr(0.3), all_used(splits))
    other = fit_splits(GATES[None, :] * metre, splits * second, arr(0.3) * metre, all_used(splits))
    assert other.vmax_m_s[0] * second / metre == pytest.approx(fit.vmax_m_s[0], rel=1e-6)
    assert other.tau_s[0] / second == pytest.approx(fit.tau_s[0], rel=1e-6)
    assert other.tau_variance[0] == pytest.approx(fit.tau_variance[0], rel=1e-5)


@settings(deadline=None)
@given(st.permutations(range(6)), st.integers(0, 2**32 - 1))
def test_the_order_of_gates_does_not_matter(order: list[int], seed: int) -> None:
    splits = split_at(GATES, arr(0.5), arr(8.5), arr(1.1)) + np.random.default_rng(seed).normal(0, 0.01, 6)
    fit = fit_splits(GATES[None, :], splits[None, :], arr(0.5), all_used(splits[None, :]))
    other = fit_splits(GATES[None, order], splits[None, order], arr(0.5), all_used(splits[None, :]))
    assert other.vmax_m_s[0] == pytest.approx(fit.vmax_m_s[0], rel=1e-7)
    assert other.tau_s[0] == pytest.approx(fit.tau_s[0], rel=1e-7)


def test_unused_gates_count_for_nothing_and_rows_are_apart() -> None:
    rng = np.random.default_rng(2)
    vmax, tau = rng.uniform(7, 10, 50)[:, None], rng.uniform(0.9, 1.3, 50)[:, None]
    splits = split_at(GATES[None, :], arr(0.5), vmax, tau) + rng.normal(0, 0.01, (50, 6))
    used = rng.random((50, 6)) < 0.8
    used[:, [0, 1, 4, 5]] = True
    noisy = np.where(used, splits, np.nan)
    distance = np.where(used, np.tile(GATES, (50, 1)), np.nan)
    together = fit_splits(distance, noisy, np.full(50, 0.5), used)
    for i in range(50):
        keep = used[i]
        alone = fit_splits(
            GATES[None, keep], splits[i : i + 1, keep], arr(0.5), np.ones((1, keep.sum()), bool)
        )
        assert together.vmax_m_s[i] == pytest.approx(alone.vmax_m_s[0], rel=1e-7)
        assert together.tau_variance[i] == pytest.approx(alone.tau_variance[0], rel=1e-6)
        assert together.df[i] == keep.sum() - 2


def test_a_known_start_matters_and_is_taken_out() -> None:
    """0.5 m behind the gate and not told: acceleration off by +75 %, V by -4 % (methods, B4)."""
    distance = arr(5, 10, 20, 30, 40)
    splits = split_at(distance, arr(0.5), arr(9.0), arr(1.1))[None, :]
    told = fit_splits(distance[None, :], splits, arr(0.5), all_used(splits))
    assert told.vmax_m_s[0] / told.tau_s[0] == pytest.approx(9.0 / 1.1, rel=1e-6)
    untold = fit_splits(distance[None, :], splits, arr(0.0), all_used(splits))
    assert untold.vmax_m_s[0] / untold.tau_s[0] == pytest.approx(14.3, abs=0.1)
    assert untold.vmax_m_s[0] == pytest.approx(8.61, abs=0.01)


@pytest.mark.parametrize(
    "splits",
    [
        [0.6, 1.2, 1.8, 2.4, 3.6, 4.8],  # at one speed: no acceleration to be seen
        [1.0, 1.4142, 1.7321, 2.0, 2.4495, 2.8284],  # speeding up to the end: no top speed
    ],
)
def test_a_run_that_follows_no_such_curve_is_not_settled_or_says_so_by_its_errors(
    splits: list[float],
) -> None:
    y = arr(*splits)[None, :]
    fit = fit_splits(GATES[None, :], y, arr(0.0), all_used(y))
    if fit.settled[0]:
        variance = 0.01**2  # of a gate
        relative = np.sqrt(variance * np.array([fit.vmax_variance[0], fit.tau_variance[0]]))
        assert relative[0] / fit.vmax_m_s[0] > 0.2 or relative[1] / fit.tau_s[0] > 0.2


def test_no_runs_give_no_fits() -> None:
    fit = fit_splits(np.empty((0, 4)), np.empty((0, 4)), np.empty(0), np.empty((0, 4), dtype=bool))
    assert fit.vmax_m_s.shape == (0,)


def test_share_of_top_speed() -> None:
    assert share_of_top_speed(arr(0.0), arr(9.0), arr(1.1))[0] == 0.0
    there = distance_at(arr(2.2), arr(9.0), arr(1.1))
    assert share_of_top_speed(there, arr(9.0), arr(1.1))[0] == pytest.approx(1 - np.exp(-2))


TRIALS = 20_000


def simulated(seed: int, noise: float = 0.01) -> tuple[Floats, ...]:
    """Runs through six gates with timing noise [s]: V, tau, start, splits."""
    rng = np.random.default_rng(seed)
    vmax, tau, offset = (
        rng.uniform(6.5, 10.0, TRIALS),
        rng.uniform(0.9, 1.4, TRIALS),
        rng.uniform(0, 1, TRIALS),
    )
    splits = split_at(GATES[None, :], offset[:, None], vmax[:, None], tau[:, None])
    return vmax, tau, offset, splits + rng.normal(0.0, noise, splits.shape)


def test_error_bars_cover_the_truth_as_often_as_they_say() -> None:
    """20,000 runs, 10 ms of noise a gate, 95 % bars by t with 4 degrees of freedom.

    Seen: V 0.949, tau 0.948, F0 0.947, V0 0.949, Pmax 0.949, RFmax 0.948, DRF 0.948.
    """
    vmax, tau, offset, splits = simulated(seed=41)
    fit = fit_splits(np.tile(GATES, (TRIALS, 1)), splits, offset, all_used(splits))
    assert fit.settled.all()
    variance = fit.residual_ss / fit.df
    mass, wind = np.full(TRIALS, 75.0), np.zeros(TRIALS)
    drag = drag_constant(mass)
    around = Surroundings(mass, drag, wind)
    truth = sprint_forces(vmax, tau, around)
    found = sprint_forces(fit.vmax_m_s, fit.tau_s, around)
    errors = force_errors(fit, variance, around)
    cases = {
        "vmax": (fit.vmax_m_s, vmax, np.sqrt(variance * fit.vmax_variance)),
        "tau": (fit.tau_s, tau, np.sqrt(variance * fit.tau_variance)),
        **{
            name: (getattr(found, name), getattr(truth, name), getattr(errors, name))
            for name in truth._fields
        },
    }
    covered = {
        name: float(np.mean(abs(estimate - true) < student.ppf(0.975, 4) * error))
        for name, (estimate, true, error) in cases.items()
    }
    assert all(0.93 < share < 0.97 for share in covered.values()), covered


def test_estimates_are_not_biased() -> None:
    vmax, tau, offset, splits = simulated(seed=42)
    fit = fit_splits(np.tile(GATES, (TRIALS, 1)), splits, offset, all_used(splits))
    assert np.mean(fit.vmax_m_s / vmax) == pytest.approx(1, abs=1e-3)
    assert np.mean(fit.tau_s / tau) == pytest.approx(1, abs=1e-3)


# Traces


@settings(deadline=None)
@given(vmaxes, taus, st.floats(-100.0, 100.0))
def test_when_a_trace_begins_does_not_matter(vmax: float, tau: float, shift: float) -> None:
    places = np.array([[1.0, 2.5, 5.0, 10.0, 15.0, 20.0, 30.0]])
    times = time_at(places, arr(vmax), arr(tau)) + shift
    fit = fit_passages(places, times, all_used(times))
    assert fit.settled[0] and fit.df[0] == 4
    assert fit.vmax_m_s[0] == pytest.approx(vmax, rel=1e-6)
    assert fit.tau_s[0] == pytest.approx(tau, rel=1e-5)


@settings(deadline=None)
@given(vmaxes, taus)
def test_a_trace_gives_back_its_two_numbers(vmax: float, tau: float) -> None:
    time = np.arange(1, 301)[None, :] / 50
    speed = vmax * (1 - np.exp(-time / tau))
    place = distance_at(time, arr(vmax), arr(tau))
    for fit in (fit_velocity(time, speed, all_used(time)), fit_position(time, place, all_used(time))):
        assert fit.vmax_m_s[0] == pytest.approx(vmax, rel=1e-6)
        assert fit.tau_s[0] == pytest.approx(tau, rel=1e-6)


def test_velocity_bars_cover_where_samples_are_independent() -> None:
    rng = np.random.default_rng(43)
    vmax, tau = rng.uniform(5, 9, 5000), rng.uniform(0.9, 1.4, 5000)
    time = np.tile(np.arange(1, 21) / 5, (5000, 1))
    speed = vmax[:, None] * (1 - np.exp(-time / tau[:, None])) + rng.normal(0, 0.1, time.shape)
    fit = fit_velocity(time, speed, all_used(time))
    variance = fit.residual_ss / fit.df
    quantile = student.ppf(0.975, 18)
    assert 0.93 < np.mean(abs(fit.vmax_m_s - vmax) < quantile * np.sqrt(variance * fit.vmax_variance)) < 0.97
    assert 0.93 < np.mean(abs(fit.tau_s - tau) < quantile * np.sqrt(variance * fit.tau_variance)) < 0.97


def test_what_else_is_fitted_changes_no_digit() -> None:
    chance = np.random.default_rng(11)
    n, points = 60, 200
    vmax, tau = chance.uniform(6, 10, (n, 1)), chance.uniform(0.7, 1.6, (n, 1))
    time = np.tile(0.02 * np.arange(1, points + 1), (n, 1))
    place = distance_at(time, vmax, tau) + chance.normal(0, 0.02, (n, points))
    gates = np.tile(np.linspace(1.0, 40.0, 40), (n, 1))
    passed = time_at(gates, vmax, tau) + chance.normal(0, 0.003, gates.shape)
    for fit, x, y, least in ((fit_position, time, place, 60), (fit_passages, gates, passed, 9)):
        used = np.arange(x.shape[1]) < chance.integers(least, x.shape[1] + 1, (n, 1))
        together = fit(x, y, used)
        for row in range(n):
            own = np.s_[row : row + 1, : used[row].sum()]
            alone = fit(x[own], y[own], used[own])
            assert alone.vmax_m_s[0] == together.vmax_m_s[row]
            assert alone.tau_s[0] == together.tau_s[row]
            assert alone.residual_ss[0] == together.residual_ss[row]

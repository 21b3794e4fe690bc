"""Smoothing moves nothing in time and bends no straight line; what it takes off a wave is known."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from tests.numerics.one_run import mean_between, mean_force, peak_force, smooth

WIDTH_S = 0.1


@settings(deadline=None)
@given(st.floats(-10, 10), st.floats(-5, 5), st.integers(3, 80), st.integers(0, 2**32 - 1))
def test_a_straight_line_stays_as_it_is(slope: float, height: float, n: int, seed: int) -> None:
    """At uneven steps and to the very ends."""
    time = np.cumsum(np.random.default_rng(seed).uniform(0.001, 0.05, n))
    line = height + slope * time
    np.testing.assert_allclose(smooth(time, line, WIDTH_S), line, atol=1e-9)


@pytest.mark.parametrize("hz", [50.0, 200.0, 333.0])
@pytest.mark.parametrize("frequency", [0.5, 2.0, 4.0])
def test_a_wave_keeps_its_phase_and_is_lowered_as_declared(hz: float, frequency: float) -> None:
    """Phase and height from the projections on sine and cosine: phase 0, height sin(pi f w) / (pi f w)."""
    time = np.arange(round(8 * hz)) / hz
    smoothed = smooth(time, np.sin(2 * np.pi * frequency * time), WIDTH_S)
    whole = (time >= 1.0) & (time < 7.0)  # whole periods, clear of the ends
    along = 2 * np.mean((smoothed * np.sin(2 * np.pi * frequency * time))[whole])
    across = 2 * np.mean((smoothed * np.cos(2 * np.pi * frequency * time))[whole])
    share = np.sin(np.pi * frequency * WIDTH_S) / (np.pi * frequency * WIDTH_S)
    assert np.arctan2(across, along) == pytest.approx(0.0, abs=1e-3)
    # Straight lines between samples of 0.02 s take a little more off: 4 Hz has 12 samples a period.
    assert along == pytest.approx(share, rel=0.025 if hz < 100 else 0.003)


def test_half_of_six_hertz_is_left() -> None:
    time = np.arange(4000) / 1000
    smoothed = smooth(time, np.sin(2 * np.pi * 6.0 * time), WIDTH_S)
    assert abs(smoothed[500:3500]).max() == pytest.approx(0.5, abs=0.01)


@settings(deadline=None)
@given(st.integers(5, 60), st.integers(0, 2**32 - 1))
def test_a_trace_backwards_is_smoothed_alike(n: int, seed: int) -> None:
    rng = np.random.default_rng(seed)
    time, values = np.cumsum(rng.uniform(0.005, 0.03, n)), rng.normal(0, 1, n)
    back = smooth(-time[::-1], values[::-1], WIDTH_S)[::-1]
    np.testing.assert_allclose(smooth(time, values, WIDTH_S), back, atol=1e-9)


def test_noise_is_lowered_by_the_root_of_the_samples_in_the_window() -> None:
    rng = np.random.default_rng(5)
    time = np.arange(20_000) / 200
    smoothed = smooth(time, rng.normal(0, 1, time.size), WIDTH_S)
    assert smoothed[50:-50].std() == pytest.approx(1 / np.sqrt(20), rel=0.05)


def test_too_few_samples_stay_as_they_are() -> None:
    for n in (1, 2):
        values = np.arange(float(n))
        np.testing.assert_array_equal(smooth(values, values, WIDTH_S), values)


@settings(deadline=None)
@given(st.integers(12, 200), st.sampled_from([50.0, 100.0, 200.0]), st.integers(0, 2**32 - 1))
def test_even_and_uneven_steps_come_to_the_same_peak(n: int, hz: float, seed: int) -> None:
    """The way for even steps against the general one, which a step moved by a thousandth asks for."""
    time = np.arange(n) / hz
    force = np.random.default_rng(seed).normal(100, 30, n)
    if time[-1] <= 0.1:
        assert np.isnan(peak_force(time[: round(0.1 * hz)], force[: round(0.1 * hz)]))
        return
    moved = time.copy()
    moved[1] += 1e-3 / hz
    assert peak_force(moved, force) == pytest.approx(peak_force(time, force), rel=2e-3)


def test_the_mean_between_two_times() -> None:
    time = np.array([0.0, 1.0, 3.0, 4.0])
    force = np.array([0.0, 10.0, 30.0, 0.0])
    assert mean_between(time, force, 0.0, 4.0) == pytest.approx(mean_force(time, force))
    assert mean_between(time, force, 0.5, 2.5) == pytest.approx(15.0)
    assert np.isnan(mean_between(time, force, float("nan"), 3.0))

"""Numbers of a trace against signals whose answers are known in closed form."""

import numpy as np
import numpy.typing as npt
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.integrate import quad
from scipy.optimize import brentq, minimize_scalar

from tests.numerics.one_run import fastest_stretch, mean_force, peak_force

Floats = npt.NDArray[np.float64]

speeds = st.floats(0.5, 12.0)
phases = st.floats(0.0, 0.02)
seeds = st.integers(0, 2**32 - 1)


def clock(seconds: float, hz: float = 50.0, phase: float = 0.0) -> Floats:
    return phase + np.arange(round(seconds * hz) + 1) / hz


def sprint(time_s: Floats, top: float, tau: float) -> Floats:
    """Position of v = V (1 - exp(-t / tau))."""
    return np.asarray(top * (time_s - tau * (1 - np.exp(-time_s / tau))))


def last_stretch(end_s: float, top: float, tau: float, length: float = 5.0) -> float:
    """Mean speed over the last metres of such a sprint, by root finding: it only gets faster."""
    wanted = float(sprint(np.array([end_s]), top, tau)[0]) - length
    begin = brentq(lambda t: float(sprint(np.array([t]), top, tau)[0]) - wanted, 0.0, end_s)
    return length / (end_s - begin)


@settings(deadline=None)
@given(speeds, phases, st.floats(20.0, 500.0))
def test_constant_speed_is_the_speed(speed: float, phase: float, hz: float) -> None:
    time = clock(12.0, hz, phase)
    assert fastest_stretch(time, speed * time + 3.0) == pytest.approx(speed, rel=1e-9)


@settings(deadline=None)
@given(st.floats(5.0, 10.5), st.floats(0.6, 1.6), phases)
def test_a_sprint_is_its_last_five_metres_wherever_samples_fall(top: float, tau: float, phase: float) -> None:
    time = np.append(clock(4.0, phase=phase), 4.2)
    wanted = last_stretch(4.2, top, tau)
    # Straight lines between samples of 0.02 s: the place is off by at most a dt^2 / 8, below 1 mm.
    assert fastest_stretch(time, sprint(time, top, tau)) == pytest.approx(wanted, rel=2e-4)


@settings(deadline=None)
@given(speeds, seeds)
def test_uneven_steps_do_not_matter(speed: float, seed: int) -> None:
    time = np.cumsum(np.random.default_rng(seed).uniform(0.001, 0.3, 120))
    place = speed * time
    if place[-1] - place[0] >= 5.001:
        assert fastest_stretch(time, place) == pytest.approx(speed, rel=1e-9)


def test_the_fastest_stretch_is_found_inside_the_run() -> None:
    # 2 m/s for 5 s, 8 m/s for 1 s, 2 m/s: the best 5 m lie within the 8 m.
    time = np.array([0.0, 5.0, 6.0, 11.0])
    assert fastest_stretch(time, np.array([0.0, 10.0, 18.0, 28.0])) == pytest.approx(8.0)
    # 8 m/s for 0.5 s only: 4 m of it, and 1 m at 2 m/s.
    time = np.array([0.0, 5.0, 5.5, 11.0])
    assert fastest_stretch(time, np.array([0.0, 10.0, 14.0, 25.0])) == pytest.approx(5.0 / (0.5 + 0.5))


@settings(deadline=None)
@given(st.floats(6.0, 10.0), st.floats(0.0, 30.0), seeds)
def test_standing_before_the_run_is_no_part_of_it(top: float, seconds: float, seed: int) -> None:
    """Of a run that ends soon after 5 m, with a long wait before it, the position trembling by 1 mm."""
    wait = np.arange(-seconds, -0.001, 0.02)
    run = clock(1.5)
    place = np.concatenate([np.zeros(wait.size), sprint(run, top, 1.0)])
    place += np.random.default_rng(seed).uniform(-0.001, 0.001, place.size)
    wanted = last_stretch(1.5, top, 1.0) if sprint(run, top, 1.0)[-1] > 5.05 else None
    found = fastest_stretch(np.concatenate([wait, run]), place)
    assert wanted is None or found == pytest.approx(wanted, rel=0.002)


@settings(deadline=None)
@given(speeds, seeds)
def test_samples_that_fall_back_are_passed_over(speed: float, seed: int) -> None:
    """At constant speed one in ten of the samples lies 5 cm and more behind the one before."""
    rng = np.random.default_rng(seed)
    time = clock(12.0)
    bad = np.flatnonzero(rng.random(time.size // 2) < 0.2) * 2 + 1
    bad = bad[bad < time.size - 1]
    place = speed * time
    place[bad] = place[bad - 1] - rng.uniform(0.05, 1.0, bad.size)
    assert fastest_stretch(time, place) == pytest.approx(speed, rel=1e-9)


def test_a_pause_within_the_run_counts_in_a_stretch_across_it() -> None:
    # 4 m at 8 m/s, 1 s of standing, 4 m at 8 m/s: any 5 m have the second in them.
    time = np.concatenate([np.arange(0, 0.5, 0.002), np.arange(1.5, 2.001, 0.002)])
    place = np.where(time < 1, 8.0 * time, 8.0 * (time - 1.0))
    # The way after the pause is a straight line from the last sample before it: 16 mm of it are too slow.
    assert fastest_stretch(time, place) == pytest.approx(5.0 / (5.0 / 8.0 + 1.0), rel=0.01)


@settings(deadline=None)
@given(seeds)
def test_noise_of_a_centimetre_adds_less_than_two_per_cent(seed: int) -> None:
    time = clock(4.0)
    place = sprint(time, 8.0, 1.1) + np.random.default_rng(seed).normal(0.0, 0.01, time.size)
    assert fastest_stretch(time, place) == pytest.approx(last_stretch(4.0, 8.0, 1.1), rel=0.02)


@settings(deadline=None)
@given(st.floats(0.1, 4.99))
def test_a_shorter_run_has_no_stretch(metres: float) -> None:
    time = clock(1.0)
    assert np.isnan(fastest_stretch(time, metres * time))
    assert np.isnan(fastest_stretch(time, -metres * time))
    assert np.isnan(fastest_stretch(time[:1], np.array([7.0])))


def test_five_metres_are_enough() -> None:
    assert fastest_stretch(np.array([0.0, 1.0]), np.array([0.0, 5.0])) == pytest.approx(5.0)


def test_the_place_at_the_start_does_not_matter() -> None:
    time = clock(4.0)
    place = sprint(time, 9.0, 1.0)
    assert fastest_stretch(time, place - 3.7) == pytest.approx(fastest_stretch(time, place), rel=1e-12)


# Force


@settings(deadline=None)
@given(st.floats(0.0, 800.0), seeds)
def test_a_constant_force_is_its_peak_and_mean(force: float, seed: int) -> None:
    time = np.cumsum(np.random.default_rng(seed).uniform(0.001, 0.2, 50))
    level = np.full(time.size, force)
    assert mean_force(time, level) == pytest.approx(force)
    assert peak_force(time, level) == pytest.approx(force)


@settings(deadline=None)
@given(st.floats(0.05, 0.4), phases)
def test_a_flat_top_longer_than_the_width_is_the_peak(flat: float, phase: float) -> None:
    """A trapezoid: 0 up to 300 N in 0.2 s, flat, down again; known at its corners."""
    corners = np.array([0.0, 1.0, 1.2, 1.2 + flat, 1.4 + flat, 3.0])
    heights = np.array([0.0, 0.0, 300.0, 300.0, 0.0, 0.0])
    slope = 300.0 / 0.2
    # Over a top shorter than the width the window takes as much of either slope.
    side = max(0.0, (0.1 - flat) / 2)
    wanted = 300.0 - slope * side**2 / 0.1
    assert peak_force(corners, heights) == pytest.approx(wanted, rel=1e-9)
    # And much the same where samples do not meet the corners.
    time = clock(2.9, hz=500.0, phase=phase)
    assert peak_force(time, np.interp(time, corners, heights)) == pytest.approx(wanted, rel=2e-3)


def test_the_top_of_a_triangle_lies_between_samples() -> None:
    """A triangle of 0.8 s with its top off the middle: F (1 - width / (2 base)) (own derivation)."""
    time, force = np.array([0.0, 0.6, 0.8]), np.array([0.0, 100.0, 0.0])
    assert peak_force(time, force, 0.1) == pytest.approx(100.0 * (1 - 0.1 / (2 * 0.8)))


@settings(deadline=None, max_examples=10)
@given(seeds)
def test_the_peak_is_that_of_a_search_by_brute_force(seed: int) -> None:
    rng = np.random.default_rng(seed)
    time = np.cumsum(rng.uniform(0.005, 0.05, 40))
    force = rng.uniform(-20.0, 400.0, 40)

    def mean_from(start: float) -> float:
        knots = time[(time > start) & (time < start + 0.1)]
        at = np.concatenate([[start], knots, [start + 0.1]])
        return float(np.trapezoid(np.interp(at, time, force), at)) / 0.1

    starts = np.linspace(time[0], time[-1] - 0.1, 2000)
    rough = starts[int(np.argmax([mean_from(s) for s in starts]))]
    low, high = max(time[0], rough - 0.001), min(time[-1] - 0.1, rough + 0.001)
    fine = minimize_scalar(lambda s: -mean_from(s), bounds=(low, high), method="bounded").fun
    found = peak_force(time, force)
    # Times are rounded to 4e-12 s (see `laid.GRID`).
    assert found >= max(-fine, mean_from(rough)) - 1e-7
    assert found == pytest.approx(-fine, abs=0.05)


@settings(deadline=None)
@given(st.floats(0.001, 0.099))
def test_a_trace_shorter_than_the_width_has_no_peak(seconds: float) -> None:
    time = np.array([0.0, seconds])
    assert np.isnan(peak_force(time, np.array([5.0, 6.0])))


def test_the_mean_is_over_time_not_over_samples() -> None:
    time = np.array([0.0, 1.0, 1.01, 1.02, 1.03])
    force = np.array([100.0, 100.0, 200.0, 200.0, 200.0])
    wanted = (100.0 + 1.5 + 2.0 + 2.0) / 1.03
    assert mean_force(time, force) == pytest.approx(wanted)


def test_the_mean_of_a_smooth_force() -> None:
    time = clock(3.0)
    exact, _ = quad(lambda t: 60 + 20 * np.sin(2 * t), 0.0, 3.0)
    assert mean_force(time, 60 + 20 * np.sin(2 * time)) == pytest.approx(exact / 3.0, rel=1e-4)


def test_one_sample_has_no_mean() -> None:
    assert np.isnan(mean_force(np.array([0.0]), np.array([5.0])))
    assert np.isnan(mean_force(np.array([1.0, 1.0]), np.array([5.0, 5.0])))


def test_a_hole_in_the_force_leaves_no_number() -> None:
    time, force = clock(1.0), np.full(51, 50.0)
    force[20] = np.nan
    assert np.isnan(mean_force(time, force))
    assert np.isnan(peak_force(time, force))

"""Forces of a sprint: identities, wind, and the derivatives behind the errors."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from pipeline.numerics.sprint import fit_splits, split_at
from pipeline.numerics.sprint_forces import Surroundings, drag_constant, force_errors, sprint_forces

vmaxes = st.floats(5.0, 12.0)
taus = st.floats(0.7, 1.7)


def one(value: float) -> np.ndarray:
    return np.array([value])


@settings(deadline=None)
@given(vmaxes, taus)
def test_without_air_the_line_is_exact(vmax: float, tau: float) -> None:
    """F / m = a = (V - v) / tau: F0 = V / tau, V0 = V."""
    found = sprint_forces(one(vmax), one(tau), Surroundings(one(70.0), one(0.0), one(0.0)))
    assert found.f0[0] == pytest.approx(vmax / tau, rel=1e-9)
    assert found.v0[0] == pytest.approx(vmax, rel=1e-9)
    assert found.pmax[0] == pytest.approx(vmax**2 / (4 * tau), rel=1e-9)


@settings(deadline=None)
@given(vmaxes, taus, st.floats(-2, 2))
def test_power_is_a_quarter_of_the_rectangle(vmax: float, tau: float, wind: float) -> None:
    found = sprint_forces(one(vmax), one(tau), Surroundings(one(70.0), drag_constant(one(70.0)), one(wind)))
    slope = -found.f0[0] / found.v0[0]
    assert found.pmax[0] == pytest.approx(found.f0[0] * found.v0[0] / 4, rel=1e-12)
    assert found.pmax[0] == pytest.approx(-(found.f0[0] ** 2) / (4 * slope), rel=1e-12)


@settings(deadline=None)
@given(vmaxes, taus)
def test_a_headwind_asks_for_more_and_a_tailwind_for_less(vmax: float, tau: float) -> None:
    drag = drag_constant(one(70.0))
    against, still, behind = (
        sprint_forces(one(vmax), one(tau), Surroundings(one(70.0), drag, one(wind))).pmax[0]
        for wind in (-2.0, 0.0, 2.0)
    )
    assert against > still > behind


def test_a_tailwind_faster_than_the_runner_pushes() -> None:
    """k (v - w) |v - w|: at the start, v = 0, a tailwind of 4 m/s takes k 16 off the force."""
    drag = drag_constant(one(70.0))
    calm = sprint_forces(one(9.0), one(1.1), Surroundings(one(70.0), drag, one(0.0)))
    pushed = sprint_forces(one(9.0), one(1.1), Surroundings(one(70.0), drag, one(4.0)))
    assert pushed.rf_max[0] < calm.rf_max[0]


def test_the_sum_is_that_of_every_hundredth_of_a_second() -> None:
    drag, time = drag_constant(one(80.0)), np.arange(601) / 100
    v = 9.0 * (1 - np.exp(-time / 1.1))
    force = 9.0 / 1.1 * np.exp(-time / 1.1) + drag / 80 * (v + 1.0) * abs(v + 1.0)
    slope, height = np.polyfit(v, force, 1)
    found = sprint_forces(one(9.0), one(1.1), Surroundings(one(80.0), drag, one(-1.0)))
    assert found.f0[0] == pytest.approx(height, rel=1e-5)
    assert found.v0[0] == pytest.approx(-height / slope, rel=1e-5)
    ratio = 100 * force / np.hypot(force, 9.80665)
    assert found.drf[0] == pytest.approx(np.polyfit(v[30:], ratio[30:], 1)[0], rel=1e-4)
    assert found.rf_max[0] == pytest.approx(ratio[30], rel=1e-9)


def test_the_air_costs_little_stature_matters_less() -> None:
    values = [
        sprint_forces(one(9.0), one(1.1), Surroundings(one(80.0), drag_constant(one(80.0), h), one(0.0))).v0[
            0
        ]
        for h in (1.65, 1.75, 1.85)
    ]
    assert abs(values[0] / values[1] - 1) < 0.002
    assert abs(values[2] / values[1] - 1) < 0.002


def test_errors_grow_with_noise_and_vanish_without() -> None:
    gates = np.array([[5.0, 10.0, 20.0, 30.0]])
    fit = fit_splits(gates, split_at(gates, one(0.3), one(8.0), one(1.2)), one(0.3), np.ones((1, 4), bool))
    rest = Surroundings(one(70.0), drag_constant(one(70.0)), one(0.0))
    small, large = force_errors(fit, one(1e-4), rest), force_errors(fit, one(4e-4), rest)
    for a, b in zip(small, large, strict=True):
        assert b[0] == pytest.approx(2 * a[0])
        assert a[0] > 0
    assert force_errors(fit, one(0.0), rest).f0[0] == 0.0

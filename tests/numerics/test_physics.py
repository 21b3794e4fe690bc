"""Physics against the outside: g of ISO 80000-3, free fall, a published regression."""

import numpy as np
import polars as pl
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from pipeline.numerics.physics import (
    STANDARD_GRAVITY,
    flight_height,
    hop_stiffness,
    jump_peak_power,
    reactive_strength,
    velocity_loss,
)

times = st.floats(min_value=0.02, max_value=1.0)


def test_gravity_is_the_standard_one() -> None:
    # ISO 80000-3: standard acceleration of free fall, 9.80665 m/s² exactly.
    assert STANDARD_GRAVITY == 9.80665


def test_height_of_a_long_jump_in_the_air() -> None:
    # h = g t² / 8 with g of ISO 80000-3: 9.80665 x 0.36 / 8 = 0.44129925 m, by hand.
    assert flight_height(0.600) == pytest.approx(0.44129925, abs=1e-12)


def test_a_millisecond_at_six_tenths_is_a_millimetre_and_a_half() -> None:
    # dh/dt = g t / 4 = 1.471 m/s at 0.6 s (derivative of the same formula): 0.147 cm a millisecond.
    step_cm = 100 * (flight_height(0.6005) - flight_height(0.5995))
    assert step_cm == pytest.approx(0.147, abs=5e-4)


@settings(deadline=None)
@given(times)
def test_height_is_a_fall_from_rest_over_half_the_flight(time_s: float) -> None:
    # Free fall from rest, s = g (t/2)² / 2, integrated here in small steps (midpoint rule, exact for a line).
    steps = 1000
    dt = time_s / 2 / steps
    fallen = sum(STANDARD_GRAVITY * (k + 0.5) * dt * dt for k in range(steps))
    assert flight_height(time_s) == pytest.approx(fallen, rel=1e-9)


@settings(deadline=None)
@given(st.lists(times, min_size=1, max_size=20))
def test_numbers_arrays_and_expressions_agree(seconds: list[float]) -> None:
    one_by_one = [flight_height(t) for t in seconds]
    assert flight_height(np.array(seconds)).tolist() == one_by_one
    frame = pl.DataFrame({"t": seconds})
    assert frame.select(flight_height(pl.col("t"))).to_series().to_list() == one_by_one


def test_reactive_strength_is_height_over_contact() -> None:
    assert reactive_strength(0.3, 0.2) == pytest.approx(1.5)


def test_peak_power_by_the_published_regression() -> None:
    # Sayers 1999, Med Sci Sports Exerc (coefficients seen in reprints): 60.7 h[cm] + 45.3 m[kg] - 2055;
    # 40 cm and 80 kg by hand: 2428 + 3624 - 2055 = 3997 W.
    assert jump_peak_power(0.40, 80.0) == pytest.approx(3997.0)


def test_hop_stiffness_of_the_worked_example() -> None:
    # Dalleau 2004, Int J Sports Med (from memory), worked for m 75 kg, tc 0.180 s, tf 0.500 s: 28 842.7 N/m.
    assert hop_stiffness(75.0, 0.180, 0.500) == pytest.approx(28_842.7, abs=0.05)


@settings(deadline=None)
@given(st.floats(30.0, 150.0), st.floats(0.1, 0.4), st.floats(0.1, 0.7))
def test_hop_stiffness_is_peak_force_over_the_way_down(
    mass_kg: float, contact_s: float, flight_s: float
) -> None:
    # The spring model of Morin 2005, J Appl Biomech (abstract seen), derived anew: the force in contact is
    # half a sine whose impulse carries the weight through contact and flight, so
    # Fmax = (pi / 2) m g (tf / tc + 1), and the lowest point is Fmax tc² / (m pi²) - g tc² / 8 deep.
    g = STANDARD_GRAVITY
    peak_n = np.pi / 2 * mass_kg * g * (flight_s / contact_s + 1)
    down_m = peak_n * contact_s**2 / (mass_kg * np.pi**2) - g * contact_s**2 / 8
    assert hop_stiffness(mass_kg, contact_s, flight_s) == pytest.approx(peak_n / down_m, rel=1e-9)


def test_velocity_loss_by_hand() -> None:
    assert velocity_loss(0.60, 0.80) == pytest.approx(25.0)
    assert velocity_loss(0.84, 0.80) == pytest.approx(-5.0)

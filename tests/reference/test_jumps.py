"""Jumps against physics and published regressions."""

from __future__ import annotations

import pytest

from pipeline.numerics.physics import flight_height, jump_peak_power, reactive_strength


@pytest.mark.parametrize(
    ("time_s", "height_m"), [(0.4, 0.196133), (0.5, 0.306458), (0.6, 0.441299), (0.7, 0.600657)]
)
def test_height_of_a_flight(time_s: float, height_m: float) -> None:
    # h = g t² / 8 with g of ISO 80000-3; kinematics (used by Bosco 1983, Asmussen & Bonde-Petersen 1974, from
    # memory). With 9.81 m/s² it were 0.034 % more: 0.3065625 m at 0.5 s.
    assert flight_height(time_s) == pytest.approx(height_m, abs=1e-6)
    assert flight_height(0.5) * 9.81 / 9.80665 == pytest.approx(0.3065625, abs=1e-9)


def test_reactive_strength_and_the_form_it_is_not() -> None:
    # Height form: Young 1995, Flanagan & Comyns 2008 (definitions from memory); the numbers follow from them.
    assert reactive_strength(flight_height(0.55), 0.20) == pytest.approx(1.85407, abs=1e-5)
    assert pytest.approx(2.75) == 0.55 / 0.20


@pytest.mark.parametrize(
    ("height_m", "kg", "watt"), [(0.4, 80, 3997.0), (0.55, 80, 4907.5), (0.6, 75, 4984.5)]
)
def test_peak_power(height_m: float, kg: float, watt: float) -> None:
    # Sayers 1999, Med Sci Sports Exerc 31:572-577: coefficients seen in two copies, not the paper.
    assert jump_peak_power(height_m, kg) == pytest.approx(watt, abs=0.05)

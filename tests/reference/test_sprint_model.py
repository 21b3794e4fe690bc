"""The sprint model against facts from outside: certified fits, the record run of 2009, published formulas."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.optimize import curve_fit
from scipy.special import lambertw

from pipeline.numerics.sprint import fit_position, fit_splits, fit_velocity, time_at
from pipeline.numerics.sprint_forces import (
    Surroundings,
    air_density,
    drag_constant,
    frontal_area,
    sprint_forces,
)
from tests.reference.nist import BOXBOD, MISRA1A, Certified

# Times from the gun [s] every 10 m of the 100 m world record of 2009, reaction 0.146 s, +-0.01 s (Graubner &
# Nixdorf 2011, New Stud Athl 26:19-53, report on the championships' biomechanics; seen in several independent
# copies, not in the report itself).
RECORD_S = np.array([1.89, 2.88, 3.78, 4.64, 5.47, 6.29, 7.10, 7.92, 8.75, 9.58])
REACTION_S = 0.146
RECORD_M = np.arange(10.0, 101.0, 10.0)


def row(*values: float) -> np.ndarray:
    return np.array([values])


@pytest.mark.parametrize("data", [MISRA1A, BOXBOD], ids=["Misra1a", "BoxBOD"])
def test_nist_to_the_certified_digits(data: Certified) -> None:
    fit = fit_velocity(row(*data.x), row(*data.y), np.ones((1, len(data.x)), dtype=bool))
    variance = fit.residual_ss / fit.df
    assert fit.settled[0]
    assert fit.vmax_m_s[0] == pytest.approx(data.b1, rel=1e-8)
    assert 1 / fit.tau_s[0] == pytest.approx(data.b2, rel=1e-8)
    assert fit.residual_ss[0] == pytest.approx(data.residual_ss, rel=1e-9)
    assert np.sqrt(variance * fit.vmax_variance)[0] == pytest.approx(data.b1_sd, rel=1e-6)
    # b2 = 1 / tau, so its SD is that of tau over tau².
    assert np.sqrt(variance * fit.tau_variance)[0] / fit.tau_s[0] ** 2 == pytest.approx(data.b2_sd, rel=1e-6)


def test_the_trap_of_boxbod_is_one() -> None:
    """From NIST's first start a plain search ends elsewhere, without a word: why many starts are tried."""
    x, y = np.array(BOXBOD.x), np.array(BOXBOD.y)
    with pytest.warns(match="Covariance"):
        (b1, b2), _ = curve_fit(lambda t, b1, b2: b1 * (1 - np.exp(-b2 * t)), x, y, p0=(1.0, 1.0))
    assert np.sum((y - b1 * (1 - np.exp(-b2 * x))) ** 2) > 8 * BOXBOD.residual_ss


@pytest.mark.parametrize(
    ("gates", "vmax", "tau", "rmse_s"),
    [(10, 12.2139, 1.2383, 0.0094), (6, 12.1472, 1.2212, 0.0076), (4, 11.956, 1.1758, 0.0018)],
)
def test_the_record_run_by_times(gates: int, vmax: float, tau: float, rmse_s: float) -> None:
    """Expected: computed apart from here, with Lambert's W and scipy, when these values were gathered."""
    used = np.ones((1, gates), dtype=bool)
    fit = fit_splits(row(*RECORD_M[:gates]), row(*(RECORD_S[:gates] - REACTION_S)), np.zeros(1), used)
    assert fit.vmax_m_s[0] == pytest.approx(vmax, abs=0.005)
    assert fit.tau_s[0] == pytest.approx(tau, abs=0.005)
    assert np.sqrt(fit.residual_ss[0] / gates) == pytest.approx(rmse_s, abs=1e-4)


def test_the_record_run_by_places() -> None:
    """12.22 m/s, 1.241 s and 0.11 m were also stated by a third party (seen second hand)."""
    fit = fit_position(row(*(RECORD_S - REACTION_S)), row(*RECORD_M), np.ones((1, 10), dtype=bool))
    assert fit.vmax_m_s[0] == pytest.approx(12.2192, abs=0.005)
    assert fit.tau_s[0] == pytest.approx(1.2411, abs=0.01)
    assert np.sqrt(fit.residual_ss[0] / 10) == pytest.approx(0.1071, abs=1e-4)


def test_a_reaction_left_in_makes_tau_a_fifth_too_long() -> None:
    fit = fit_splits(row(*RECORD_M), row(*RECORD_S), np.zeros(1), np.ones((1, 10), dtype=bool))
    assert fit.vmax_m_s[0] == pytest.approx(12.347, abs=0.005)
    assert fit.tau_s[0] == pytest.approx(1.460, abs=0.005)


def test_time_at_a_distance_is_lamberts() -> None:
    """t = d / V + tau + tau W0(-exp(-d / (V tau) - 1)); V 9.46 m/s, a0 6.42 m/s² (means of di Prampero 2005,
    J Exp Biol 208:2809, abstract seen): 4.57888 s at 30 m."""
    vmax, tau = 9.46, 9.46 / 6.42
    assert time_at(np.array(30.0), np.array(vmax), np.array(tau)) == pytest.approx(4.57888, abs=1e-5)
    d = np.linspace(0.1, 100.0, 300)
    closed = d / vmax + tau + tau * lambertw(-np.exp(-d / (vmax * tau) - 1)).real
    np.testing.assert_allclose(time_at(d, np.array(vmax), np.array(tau)), closed, rtol=1e-9)


def test_air() -> None:
    """Arsac & Locatelli 2002, formula from memory; the ideal gas at 20 °C has 1.204118 kg/m³."""
    assert air_density(760, 20) == pytest.approx(1.204741, abs=1e-5)
    assert air_density(760, 0) == pytest.approx(1.293, abs=1e-9)
    assert air_density(760, 15) == pytest.approx(1.225656, abs=1e-5)
    assert air_density(760, 20) == pytest.approx(1.204118, rel=1e-3)


def test_frontal_area_and_drag() -> None:
    """Du Bois & Du Bois 1916 × 0.266 (from memory; the arithmetic is what is tested)."""
    assert frontal_area(np.array(75.0), 1.80) == pytest.approx(0.516750, abs=1e-5)
    assert frontal_area(np.array(86.0), 1.96) == pytest.approx(0.582578, abs=1e-5)
    assert drag_constant(np.array(75.0), 1.80) == pytest.approx(0.280147, abs=1e-5)


def test_forces_of_a_sprint() -> None:
    """Computed with the notes over 0 to 6 s at 100 Hz: V 9, tau 1.1, 80 kg, 1.80 m, still air."""
    drag = drag_constant(np.array([80.0]), 1.80)
    found = sprint_forces(
        np.array([9.0]), np.array([1.1]), Surroundings(np.array([80.0]), drag, np.array([0.0]))
    )
    assert found.f0[0] == pytest.approx(8.099, abs=5e-4)
    assert found.v0[0] == pytest.approx(9.319, abs=1e-3)
    assert found.pmax[0] == pytest.approx(18.87, abs=5e-3)
    assert found.rf_max[0] == pytest.approx(53.7, abs=0.05)
    assert found.drf[0] == pytest.approx(-7.83, abs=5e-3)


def test_forces_of_another_over_a_longer_window() -> None:
    """Computed apart over eight tau at 1 kHz; 0.5 % for the other window."""
    drag = drag_constant(np.array([75.0]), 1.80)
    found = sprint_forces(
        np.array([9.0]), np.array([1.2]), Surroundings(np.array([75.0]), drag, np.array([0.0]))
    )
    assert found.f0[0] == pytest.approx(7.408, rel=5e-3)
    assert found.v0[0] == pytest.approx(9.372, rel=5e-3)
    assert found.pmax[0] == pytest.approx(17.356, rel=5e-3)

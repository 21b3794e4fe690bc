"""Horizontal force, power and its direction in a sprint, from its speed curve, body mass and air.

F(t) = m a(t) + k (v - w) |v - w|, w the wind (a tailwind is positive), and the force of a line that holds the
runner back, where there is one: Samozino 2016, Scand J Med Sci Sports
26:648-658 (method from its abstract, equations from memory); air: Arsac & Locatelli 2002 (from memory).
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
import numpy.typing as npt

from pipeline.numerics.physics import STANDARD_GRAVITY
from pipeline.numerics.sprint import SprintFits

Floats = npt.NDArray[np.float64]

WINDOW_S = 6.0
"""Forces are looked at from 0 to 6 s after the start, whatever the length of the run: DRF hangs on it."""
RATIO_FROM_S = 0.3
"""The ratio of forces is taken from here on (Samozino 2016)."""
_STEP_S = 0.01
_CHUNK = 4096
_SHARE = 1e-5  # step of the derivatives, as a share of V and of tau

STATURE_M = 1.75
"""Stature behind the frontal area where it is not known: 10 cm more change V0 by less than 0.2 %."""
_DRAG_COEFFICIENT = 0.9
_AIR_KG_M3 = 1.293  # at 0 °C and 760 mmHg


class Forces(NamedTuple):
    """Force-velocity values of a sprint, shape (rows,) each: N/kg, m/s, W/kg, %, %/(m/s)."""

    f0: Floats
    v0: Floats
    pmax: Floats
    rf_max: Floats
    drf: Floats


def air_density(pressure_mm_hg: float = 760.0, celsius: float = 20.0) -> float:
    """Density of air [kg/m³]: 1.293 (P / 760) 273 / (273 + T)."""
    return _AIR_KG_M3 * pressure_mm_hg / 760 * 273 / (273 + celsius)


def frontal_area(mass_kg: Floats, stature_m: Floats | float = STATURE_M) -> Floats:
    """Area that a runner shows to the wind [m²]: 0.266 of the skin's (Du Bois 1916)."""
    return np.asarray(0.266 * 0.2025 * stature_m**0.725 * mass_kg**0.425)


def drag_constant(mass_kg: Floats, stature_m: Floats | float = STATURE_M) -> Floats:
    """k of the air's force k v² [kg/m]: half density × frontal area × 0.9, at 20 °C and 760 mmHg."""
    return np.asarray(0.5 * air_density() * frontal_area(mass_kg, stature_m) * _DRAG_COEFFICIENT)


class Surroundings(NamedTuple):
    """What a sprint is run with and against, shape (rows,) each: body mass [kg], k of the air [kg/m], wind
    [m/s], and the force of a line [N] that is straight in v: `line_n` at rest and `line_n_s_m` more for each
    m/s."""

    mass_kg: Floats
    drag_kg_m: Floats
    wind_m_s: Floats
    line_n: Floats | float = 0.0
    line_n_s_m: Floats | float = 0.0


def sprint_forces(vmax_m_s: Floats, tau_s: Floats, around: Surroundings) -> Forces:
    """Force-velocity values of each sprint, from arrays of shape (rows,).

    F0 and V0 are where the least-squares line of F / m on v over 0 to 6 s, every 0.01 s, meets the axes;
    Pmax = F0 V0 / 4. RF = F / sqrt(F² + (m g)²) is the share of force that points forward [%]: RFmax its
    value at 0.3 s, DRF the slope of its line on v from 0.3 to 6 s.
    """
    columns = [np.broadcast_to(column, vmax_m_s.shape) for column in (vmax_m_s, tau_s, *around)]
    parts = [
        _forces(*(column[i : i + _CHUNK, None] for column in columns))
        for i in range(0, max(vmax_m_s.size, 1), _CHUNK)
    ]
    return Forces(*(np.concatenate(values) for values in zip(*parts, strict=True)))


def force_errors(fits: SprintFits, variance: Floats, around: Surroundings) -> Forces:
    """Standard errors of `sprint_forces`, by the delta method from those of V and tau.

    `variance`: of a split time [s²], shape (rows,), own or pooled. Mass, air, wind and line count as known,
    and the curve as right, so the errors are those of timing alone.
    """
    vmax, tau = fits.vmax_m_s, fits.tau_s
    by_vmax = _slopes(
        sprint_forces(vmax * (1 + _SHARE), tau, around), sprint_forces(vmax * (1 - _SHARE), tau, around), vmax
    )
    by_tau = _slopes(
        sprint_forces(vmax, tau * (1 + _SHARE), around), sprint_forces(vmax, tau * (1 - _SHARE), around), tau
    )
    return Forces(
        *(
            np.sqrt(
                variance
                * (a**2 * fits.vmax_variance + b**2 * fits.tau_variance + 2 * a * b * fits.covariance)
            )
            for a, b in zip(by_vmax, by_tau, strict=True)
        )
    )


def _slopes(above: Forces, below: Forces, at: Floats) -> list[Floats]:
    return [(high - low) / (2 * _SHARE * at) for high, low in zip(above, below, strict=True)]


def _forces(
    vmax: Floats, tau: Floats, mass: Floats, drag: Floats, wind: Floats, line: Floats, line_by_v: Floats
) -> Forces:
    def over(time_s: Floats) -> tuple[Floats, Floats]:
        """Speed [m/s] and force per mass [N/kg] at these times: (rows, times)."""
        left = np.exp(-time_s / tau)
        v = vmax * (1 - left)
        air = drag * (v - wind) * abs(v - wind)
        return v, vmax / tau * left + (air + line + line_by_v * v) / mass

    v, force = over(_WHOLE[0])
    slope, height = _line(v, force, _WHOLE[1])
    v, force = over(_LATER[0])
    v0 = -height / slope
    return Forces(height, v0, height * v0 / 4, _ratio(force)[:, 0], _line(v, _ratio(force), _LATER[1])[0])


def _moments(from_s: float, to_s: float) -> tuple[Floats, Floats]:
    """Times and weights (adding up to 1) that stand for every 0.01 s: a sum over those is the integral
    over the step, and half of both ends beside it (Euler-Maclaurin); the integral is Gauss-Legendre's."""
    nodes, weights = np.polynomial.legendre.leggauss(32)
    half = (to_s - from_s) / 2
    times = np.concatenate([[from_s], from_s + half * (nodes + 1), [to_s]])
    counts = np.concatenate([[0.5], half * weights / _STEP_S, [0.5]])
    return times, counts / counts.sum()


_WHOLE = _moments(0.0, WINDOW_S)
_LATER = _moments(RATIO_FROM_S, WINDOW_S)


def _ratio(force_n_kg: Floats) -> Floats:
    return np.asarray(100 * force_n_kg / np.hypot(force_n_kg, STANDARD_GRAVITY))


def _line(x: Floats, y: Floats, weight: Floats) -> tuple[Floats, Floats]:
    """Slope and height at 0 of the weighted least-squares line of each row."""
    mean = _weighed(x, weight)
    dx = x - mean[:, None]
    slope = _weighed(dx * y, weight) / _weighed(dx**2, weight)
    return slope, _weighed(y, weight) - slope * mean


def _weighed(x: Floats, weight: Floats) -> Floats:
    """The weighted sum of each row, in equal steps for any number of rows; a matrix product has others."""
    return np.asarray(np.einsum("ij,j->i", x, weight))

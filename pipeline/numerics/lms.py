"""Norms that depend smoothly on age: the LMS method, and a simpler curve where athletes are few.

Source: Cole & Green 1992, Stat Med 11:1305-1319: z = ((y/M)^L - 1) / (L S), or ln(y/M) / S where L is 0. The
curves here are parametric (no smoothing to be chosen): L the same at every age, ln M quadratic in age, ln S
linear; fitted by maximum likelihood.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from pipeline.numerics.percentiles import Floats

_MIDDLE, _SPAN = 14.0, 4.0  # ages [years] are counted from the middle of 10 to 18, in halves of it
_NEARLY_ZERO = 1e-7


def lms_z(y: Floats, l: Floats, m: Floats, s: Floats) -> Floats:  # noqa: E741
    """Standard score of values y > 0 [unit of M] among people of the curve's L, M and S: arrays alike."""
    ratio = np.log(y / m)
    is_log = np.abs(l) < _NEARLY_ZERO
    power = np.where(is_log, 1.0, l)
    found: Floats = np.where(is_log, ratio, np.expm1(power * ratio) / power) / s
    return found


def lms_value(z: float, l: Floats, m: Floats, s: Floats) -> Floats:  # noqa: E741
    """The value [unit of M] of a standard score: M (1 + L S z)^(1/L), M exp(S z) where L is 0.

    NaN where there is no such value.
    """
    is_log = np.abs(l) < _NEARLY_ZERO
    power = np.where(is_log, 1.0, l)
    with np.errstate(invalid="ignore", divide="ignore"):
        curved = np.log1p(power * s * z) / power
    found: Floats = m * np.exp(np.where(is_log, s * z, curved))
    return found


@dataclass(frozen=True)
class AgeCurve:
    """A fitted curve: L, the coefficients of ln M (1, u, u²) and of ln S (1, u), u = (age - 14) / 4."""

    l: float  # noqa: E741
    ln_m: tuple[float, float, float]
    ln_s: tuple[float, float]

    def at(self, age: Floats) -> tuple[Floats, Floats, Floats]:
        """L, M and S at ages [years]."""
        u = (age - _MIDDLE) / _SPAN
        median = np.exp(self.ln_m[0] + self.ln_m[1] * u + self.ln_m[2] * u**2)
        return np.full(u.shape, self.l), median, np.exp(self.ln_s[0] + self.ln_s[1] * u)


def fit_log_quadratic(age: Floats, y: Floats) -> AgeCurve:
    """ln y quadratic in age [years], with one residual SD (n - 3): (n,), (n,) of y > 0, n > 3.

    The same as an LMS curve with L = 0 and S the same at every age.
    """
    u = (age - _MIDDLE) / _SPAN
    design = np.stack([np.ones_like(u), u, u**2], axis=1)
    coefficients = np.linalg.lstsq(design, np.log(y), rcond=None)[0]
    residual = np.log(y) - design @ coefficients
    sd = np.sqrt(residual @ residual / (y.size - 3))
    a, b, c = coefficients.tolist()
    return AgeCurve(0.0, (a, b, c), (float(np.log(sd)), 0.0))


def fit_lms(age: Floats, y: Floats) -> AgeCurve:
    """The LMS curve of greatest likelihood: ages [years] (n,) and values y > 0 (n,)."""
    u = (age - _MIDDLE) / _SPAN
    start = fit_log_quadratic(age, y)
    log_y = np.log(y)

    def loss(p: Floats) -> tuple[float, Floats]:
        power = p[0]
        ratio = log_y - (p[1] + p[2] * u + p[3] * u**2)
        spread = np.exp(p[4] + p[5] * u)
        grown = np.exp(power * ratio)
        if abs(power) < 1e-4:
            # The series, where the formula would divide by nearly nothing.
            moved, by_power = ratio * (1 + power * ratio / 2), ratio**2 / 2 + power * ratio**3 / 3
        else:
            moved = np.expm1(power * ratio) / power
            by_power = (ratio * grown - moved) / power
        z = moved / spread
        of_m = -power + z * grown / spread
        of_s = z**2 - 1
        slopes = [(ratio - z * by_power / spread).sum(), of_m.sum(), (of_m * u).sum(), (of_m * u**2).sum()]
        slopes += [of_s.sum(), (of_s * u).sum()]
        likelihood = (power * ratio - np.log(spread) - z**2 / 2).sum()
        return -likelihood / y.size, -np.array(slopes) / y.size

    # Slow to import, and only who fits an age curve needs it.
    from scipy.optimize import minimize

    found = minimize(loss, [0.0, *start.ln_m, *start.ln_s], jac=True, method="BFGS").x.tolist()
    return AgeCurve(found[0], (found[1], found[2], found[3]), (found[4], found[5]))

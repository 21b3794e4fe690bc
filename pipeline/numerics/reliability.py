"""Measurement error from repeats: what it is, how well it is known, and how borrowed figures enter.

Errors are SDs on the analysis scale of a metric: of the logarithm where errors grow with the value, else of
the value itself. Source of the formulas: methods, C2 to C4; Hopkins 2000, Sports Med 30:1-15.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from scipy.special import chdtri

from pipeline.numerics.percentiles import Floats

BORROWED_DEGREES = 10.0  # nu0: a published error counts like this many degrees of freedom (methods, C4)


class Spread(NamedTuple):
    """A variance and the degrees of freedom it rests on."""

    variance: Floats
    degrees: Floats


def of_differences(squares: Floats, sums: Floats, count: Floats, chains: Floats) -> Spread:
    """Error variance of one session's value, from differences of neighbouring sessions of the same athlete.

    `squares`, `sums`: of the differences; `count`: how many; `chains`: how many unbroken runs of sessions
    they come from, (pools,) all. Their mean, what people learned or gained meanwhile, is taken out.
    Neighbouring differences share a session, so they carry less than `count` degrees of freedom: with e
    even and normal, a run of m differences has E(sum d²) = 2 m s² and Var(sum d²) = (12 m - 4) s⁴, which a
    chi-square of 8 m² / (12 m - 4) degrees matches (Satterthwaite 1946, Biometrics 2:110-114).
    """
    with np.errstate(divide="ignore", invalid="ignore"):
        spent = (
            chains / count
        )  # the sum over a run is its last value less its first, so the mean takes less than one
        variance = (squares - sums**2 / count) / (2 * (count - spent))
        degrees = 8 * count**2 / (12 * count - 4 * chains) - spent
    known = degrees > 0
    return Spread(np.where(known, np.maximum(variance, 0.0), np.nan), np.where(known, degrees, 0.0))


def blend(own: Spread, borrowed: Floats) -> Spread:
    """Own variance and a borrowed SD (NaN: none) as one, by their degrees of freedom (methods, C4)."""
    has_own, lent = own.degrees > 0, np.isfinite(borrowed)
    weight, degrees = np.where(lent, BORROWED_DEGREES, 0.0), np.where(has_own, own.degrees, 0.0)
    total = weight + degrees
    squares = np.where(lent, borrowed, 0.0) ** 2 * weight + np.where(has_own, own.variance, 0.0) * degrees
    return Spread(np.where(total > 0, squares / np.where(total > 0, total, 1.0), np.nan), total)


def error_interval(spread: Spread, level: float) -> tuple[Floats, Floats]:
    """Ends of the interval of an SD at `level`, from the chi-square distribution."""
    tail = (1 - level) / 2
    with np.errstate(divide="ignore", invalid="ignore"):
        squares = spread.variance * spread.degrees
        low = np.sqrt(squares / chdtri(spread.degrees, tail))
        return low, np.sqrt(squares / chdtri(spread.degrees, 1 - tail))


def smallest_detectable(error: Floats) -> Floats:
    """MDC95 = 1.96 sqrt 2 error: a change between two single sessions beyond it is seldom noise alone."""
    return np.asarray(1.959963984540054 * np.sqrt(2) * error)


def true_spread(observed: Floats, error_variance: Floats) -> Floats:
    """SD between athletes without the error of measurement; NaN where the error explains it all."""
    left = observed**2 - error_variance
    return np.where(left > 0, np.sqrt(np.maximum(left, 0.0)), np.nan)


def as_percent(error: Floats) -> Floats:
    """An SD of logarithms as per cent: 100 (exp(s) - 1)."""
    return 100 * np.expm1(error)


def from_percent(percent: Floats) -> Floats:
    """Per cent as an SD of logarithms."""
    return np.log1p(percent / 100)

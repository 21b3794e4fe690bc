"""The local level on the flow of the Nile, 1871-1970, against the book and against statsmodels.

Data: Durbin & Koopman 2012, Time Series Analysis by State Space Methods, chapter 2; read from `statsmodels`
(public domain). Variances 15099 and 1469.1 by maximum likelihood there (from memory; statsmodels'
exact-diffuse likelihood at them is -633.46456).
"""

from __future__ import annotations

import numpy as np
import pytest
from scipy.optimize import minimize
from statsmodels.datasets import nile
from statsmodels.tsa.statespace.structural import UnobservedComponents

from pipeline.numerics.local_level import Rows, Sessions, follow, passes

FLOW = nile.load_pandas().data["volume"].to_numpy(dtype=float)
EPSILON, ETA = 15099.0, 1469.1


def series(value: np.ndarray, day: np.ndarray) -> Sessions:
    n = value.size
    return Sessions(value, day, np.ones(n), np.zeros(n, dtype=bool), np.arange(n))


def one(size: int, noise: float, drift: float) -> Rows:
    return Rows(np.array([0]), np.array([size]), np.array([noise]), np.zeros(1), np.array([drift]))


def log_likelihood(noise: float, drift: float) -> float:
    """With the constant of the first value, which the diffuse start leaves without a density (their 2.9)."""
    sessions = series(FLOW, np.arange(100.0))
    ((run,), _, _) = next(passes(sessions, one(100, noise, drift), (1.0,), surprise=np.inf))
    return float(run.total[0]) - 0.5 * np.log(2 * np.pi)


def test_the_likelihood_and_its_top() -> None:
    assert log_likelihood(EPSILON, ETA) == pytest.approx(-633.46456, abs=1e-4)
    best = minimize(lambda log: -log_likelihood(*np.exp(log)), np.log([1e4, 1e3]), method="Nelder-Mead")
    assert np.exp(best.x) == pytest.approx([EPSILON, ETA], rel=0.02)


def test_the_levels_of_the_book() -> None:
    found = follow(series(FLOW, np.arange(100.0)), one(100, EPSILON, ETA), np.inf)
    assert found.level[[0, 1, 99]] == pytest.approx([1111.668, 1110.858, 798.370], abs=1e-3)
    assert found.variance[[0, 99]] == pytest.approx([4032.158, 4032.158], abs=1e-3)


def test_the_level_path_of_statsmodels() -> None:
    theirs = UnobservedComponents(FLOW, "llevel", use_exact_diffuse=True).smooth([EPSILON, ETA])
    found = follow(series(FLOW, np.arange(100.0)), one(100, EPSILON, ETA), np.inf)
    assert found.then == pytest.approx(theirs.filtered_state[0], rel=1e-9)
    assert found.level == pytest.approx(theirs.smoothed_state[0], rel=1e-9)
    assert found.variance == pytest.approx(theirs.smoothed_state_cov[0, 0], rel=1e-8)


def test_uneven_dates_are_those_of_a_grid_with_holes() -> None:
    kept = np.flatnonzero(np.random.default_rng(4).random(100) < 0.4)
    holes = np.full(100, np.nan)
    holes[kept] = FLOW[kept]
    theirs = UnobservedComponents(holes[kept[0] :], "llevel", use_exact_diffuse=True).smooth([EPSILON, ETA])
    found = follow(series(FLOW[kept], kept.astype(float)), one(kept.size, EPSILON, ETA), np.inf)
    assert found.level == pytest.approx(theirs.smoothed_state[0, kept - kept[0]], rel=1e-9)

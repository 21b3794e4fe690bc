"""The maturity equations against worked numbers."""

from __future__ import annotations

import polars as pl
import pytest

from pipeline.numerics.maturity import maturity_bin, sitting_offset, stature_offset


def sitting(male: bool, age: float, stature: float, sitting: float, mass: float) -> float:
    lits = [pl.lit(value) for value in (male, age, stature, sitting, mass)]
    return float(pl.select(sitting_offset(*lits)).item())


def standing(male: bool, age: float, stature: float) -> float:
    return float(pl.select(stature_offset(pl.lit(male), pl.lit(age), pl.lit(stature))).item())


@pytest.mark.parametrize(
    ("male", "age", "stature", "height", "mass", "years"),
    [
        (True, 14.0, 165.0, 85.0, 52.0, 0.052247),
        (False, 12.0, 155.0, 81.0, 45.0, 0.181254),
        (True, 13.2, 158.0, 82.0, 48.0, -0.7098),
        (False, 13.2, 158.0, 82.0, 48.0, 0.9792),
    ],
)
def test_with_sitting_height(
    male: bool, age: float, stature: float, height: float, mass: float, years: float
) -> None:
    # Mirwald 2002, Med Sci Sports Exerc 34:689-694: boys' coefficients seen in a table of another paper,
    # girls' in a secondary one; the numbers were computed apart from this code. Without the x 100 of mass
    # over stature (a copy leaves it out) the first would be -0.663.
    assert sitting(male, age, stature, height, mass) == pytest.approx(years, abs=5e-5)


@pytest.mark.parametrize(
    ("male", "age", "stature", "years"),
    [(True, 14.0, 165.0, 0.344650), (True, 13.2, 158.0, -0.4660), (False, 13.2, 158.0, 1.0988)],
)
def test_by_stature(male: bool, age: float, stature: float, years: float) -> None:
    # Moore 2015, Med Sci Sports Exerc 47:1755-1764 (coefficients seen in a table of another paper).
    assert standing(male, age, stature) == pytest.approx(years, abs=5e-5)


@pytest.mark.parametrize(
    ("years", "found"), [(-1.2, -1.0), (-1.0, 0.0), (0.3, 0.0), (1.0, 0.0), (1.01, 1.0), (None, None)]
)
def test_only_three_bins(years: float | None, found: float | None) -> None:
    assert pl.select(maturity_bin(pl.lit(years, dtype=pl.Float64))).item() == found

"""Body density from skinfolds, and fat from density: published regressions, each with where it holds.

Off by default (honesty, 9): estimates with an error of 3 to 4 points of fat, made for other people. None of
them has a term of race or ancestry, and none is for youths.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import polars as pl

Sex = Literal["female", "male"]


@dataclass(frozen=True)
class DensityEquation:
    """D = constant + linear S + square S² + age A [g/mL], S a sum of folds [mm], A in years.

    `site_set`: the folds that are summed (see `schemas.families.skinfold_calipers`). The parabola turns at
    `turning_mm`: beyond it more folds would give less fat, so there it is refused, as outside `ages`.
    `error_g_ml`: standard error of an estimate, as published.
    """

    name: str
    sex: Sex
    site_set: str
    constant: float
    linear: float
    square: float
    age: float
    ages: tuple[float, float]
    error_g_ml: float
    source: str

    @property
    def turning_mm(self) -> float:
        """Where the density is least [mm]."""
        return -self.linear / (2 * self.square)


@dataclass(frozen=True)
class LogDensity:
    """D = c - m log10(S) [g/mL] of ages from `ages[0]` to below `ages[1]`, S the sum of four sites [mm]."""

    sex: Sex
    ages: tuple[float, float]
    c: float
    m: float


_MEN = "Jackson & Pollock 1978, Br J Nutr 40:497-504"
_WOMEN = "Jackson, Pollock & Ward 1980, Med Sci Sports Exerc 12:175-182"
FOUR_SITES = "four_sites"
FOUR_SITES_ERROR_G_ML = 0.0080
"""Standard error of an estimate by the four-site equations, about what the others have (from memory)."""
EQUATIONS: tuple[DensityEquation, ...] = (
    DensityEquation(
        "three_sites",
        "male",
        "three_sites_chest",
        1.10938,
        -0.0008267,
        0.0000016,
        -0.0002574,
        (18, 61),
        0.0077,
        _MEN,
    ),
    DensityEquation(
        "seven_sites",
        "male",
        "seven_sites",
        1.112,
        -0.00043499,
        0.00000055,
        -0.00028826,
        (18, 61),
        0.0078,
        _MEN,
    ),
    DensityEquation(
        "three_sites",
        "female",
        "three_sites_triceps",
        1.0994921,
        -0.0009929,
        0.0000023,
        -0.0001392,
        (18, 55),
        0.0084,
        _WOMEN,
    ),
    DensityEquation(
        "seven_sites",
        "female",
        "seven_sites",
        1.097,
        -0.00046971,
        0.00000056,
        -0.00012828,
        (18, 55),
        0.0083,
        _WOMEN,
    ),
)
"""Ages 18 to 61 and 18 to 55 are those of the people that they were made from (from memory)."""
LOG_EQUATIONS: tuple[LogDensity, ...] = (
    LogDensity("male", (18, 20), 1.1620, 0.0630),
    LogDensity("male", (20, 30), 1.1631, 0.0632),
    LogDensity("male", (30, 40), 1.1422, 0.0544),
    LogDensity("male", (40, 50), 1.1620, 0.0700),
    LogDensity("male", (50, 73), 1.1715, 0.0779),
    LogDensity("female", (18, 20), 1.1549, 0.0678),
    LogDensity("female", (20, 30), 1.1599, 0.0717),
    LogDensity("female", (30, 40), 1.1423, 0.0632),
    LogDensity("female", (40, 50), 1.1333, 0.0612),
    LogDensity("female", (50, 69), 1.1339, 0.0645),
)
"""Durnin & Womersley 1974, Br J Nutr 32:77-97, table 5 (seen in two copies that agree). Theirs begin at
17 and 16 years, ours at 18."""


def equation_density(equation: DensityEquation, sum_mm: pl.Expr, age_years: pl.Expr) -> pl.Expr:
    """Density [g/mL] by one equation; NULL outside its ages and from its turning point on."""
    density = (
        equation.constant
        + equation.linear * sum_mm
        + equation.square * sum_mm * sum_mm
        + equation.age * age_years
    )
    holds = age_years.is_between(*equation.ages) & (sum_mm < equation.turning_mm)
    return pl.when(holds).then(density)


def four_site_density(sex: pl.Expr, sum_mm: pl.Expr, age_years: pl.Expr) -> pl.Expr:
    """Density [g/mL] by the four-site equation of sex and age; NULL outside their ages."""
    density = pl.lit(None, dtype=pl.Float64)
    for one in LOG_EQUATIONS:
        holds = (sex == one.sex) & (age_years >= one.ages[0]) & (age_years < one.ages[1])
        density = pl.when(holds).then(one.c - one.m * sum_mm.log10()).otherwise(density)
    return density


def siri_fat(density_g_ml: pl.Expr) -> pl.Expr:
    """Fat [%] of two compartments, fat 0.900 and the rest 1.100 g/mL: 495 / D - 450 (Siri 1961)."""
    return 495 / density_g_ml - 450


def brozek_fat(density_g_ml: pl.Expr) -> pl.Expr:
    """Fat [%] against a reference body: 457 / D - 414.2 (Brozek 1963); above 1.06145 g/mL over Siri's."""
    return 457 / density_g_ml - 414.2

"""How far a youth is from the fastest growth, in three bins: single estimates are a year off or more."""

from __future__ import annotations

import polars as pl

AROUND_YEARS = 1.0
"""Within so many years of the estimated peak a youth counts as around it (Koziel & Malina 2018, abstract
seen: individual errors of about a year)."""


def sitting_offset(
    male: pl.Expr, age_years: pl.Expr, stature_cm: pl.Expr, sitting_cm: pl.Expr, mass_kg: pl.Expr
) -> pl.Expr:
    """Estimated time from peak height velocity [years], with sitting height; negative: before it.

    `male`: else female; leg length is stature less sitting height; mass over stature counts per cent (x 100).
    Mirwald 2002, Med Sci Sports Exerc 34:689-694 (coefficients seen in a table of another paper).
    """
    legs, share = stature_cm - sitting_cm, 100 * mass_kg / stature_cm
    boys = (
        -9.236
        + 0.0002708 * legs * sitting_cm
        - 0.001663 * age_years * legs
        + 0.007216 * age_years * sitting_cm
        + 0.02292 * share
    )
    girls = (
        -9.376
        + 0.0001882 * legs * sitting_cm
        + 0.0022 * age_years * legs
        + 0.005841 * age_years * sitting_cm
        - 0.002658 * age_years * mass_kg
        + 0.07693 * share
    )
    return pl.when(male).then(boys).otherwise(girls)


def stature_offset(male: pl.Expr, age_years: pl.Expr, stature_cm: pl.Expr) -> pl.Expr:
    """The same by stature alone. Moore 2015, Med Sci Sports Exerc 47:1755-1764 (seen in a table)."""
    grown = age_years * stature_cm
    return pl.when(male).then(-7.999994 + 0.0036124 * grown).otherwise(-7.709133 + 0.0042232 * grown)


def maturity_bin(offset_years: pl.Expr) -> pl.Expr:
    """-1 before, 0 around, 1 after the fastest growth."""
    after = pl.when(offset_years > AROUND_YEARS).then(pl.lit(1.0)).otherwise(pl.lit(0.0))
    before = pl.when(offset_years < -AROUND_YEARS).then(pl.lit(-1.0)).otherwise(after)
    return pl.when(offset_years.is_not_null()).then(before)

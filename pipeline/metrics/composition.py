"""Body density and fat, estimated from sums of folds: only of adults who asked for it, by one equation."""

from __future__ import annotations

import polars as pl

from pipeline.metrics.rows import join_codes, values_of
from pipeline.numerics.body_composition import (
    EQUATIONS,
    FOUR_SITES,
    FOUR_SITES_ERROR_G_ML,
    brozek_fat,
    equation_density,
    four_site_density,
    siri_fat,
)

ADULT_YEARS = 18.1
"""Ages are told to a tenth of a year: from here on nobody can be under 18."""


def composition(sums: pl.DataFrame, masses: pl.DataFrame) -> pl.DataFrame:
    """Density [g/mL] and fat [%] of occasions whose sum of folds fits the athlete's equation.

    `sums`: whole site sets with `value` [mm]; `masses`: see `occasions`, with `equation` and `fat` NULL of
    whoever has not asked. Outside the ages and folds of the equation there is no value, and a code says so.
    The standard error is the published one of the equation, which does not shrink with more readings.
    """
    about = masses.select("session_id", "age_years", "sex", "equation", "fat")
    asked = sums.join(about, on="session_id", how="left", validate="m:1").filter(
        pl.col("equation").is_not_null() & (pl.col("age_years") >= ADULT_YEARS)
    )
    made = pl.concat([asked.clear().pipe(_with, pl.lit(None), 0.0), *_by_equation(asked)])
    outside = pl.when(pl.col("density").is_null()).then(pl.lit("equation_outside"))
    made = made.with_columns(flags=join_codes(pl.col("flags"), outside))
    density, error = pl.col("density"), pl.col("density_error")
    siri = pl.col("fat") == "siri"
    fat = pl.when(siri).then(siri_fat(density)).otherwise(brozek_fat(density))
    slope = pl.when(siri).then(495.0).otherwise(457.0) / density**2
    both = made.with_columns(equation=pl.concat_str("equation", "fat", separator=", "))
    inputs, flags = pl.col("inputs"), pl.col("flags")
    return pl.concat(
        [
            values_of(made, "body_density", density, inputs, flags, keep_empty=True, error=error),
            values_of(both, "fat_percent", fat, inputs, flags, keep_empty=True, error=slope * error),
        ]
    )


def _by_equation(asked: pl.DataFrame) -> list[pl.DataFrame]:
    """The sums that each equation is for, with their density."""
    sites, sex, mm, age = pl.col("site_set"), pl.col("sex"), pl.col("value"), pl.col("age_years")
    four = asked.filter((pl.col("equation") == FOUR_SITES) & (sites == FOUR_SITES))
    parts = [_with(four, four_site_density(sex, mm, age), FOUR_SITES_ERROR_G_ML)]
    for one in EQUATIONS:
        fits = (pl.col("equation") == one.name) & (sites == one.site_set) & (sex == one.sex)
        parts.append(_with(asked.filter(fits), equation_density(one, mm, age), one.error_g_ml))
    return parts


def _with(sums: pl.DataFrame, density: pl.Expr, error_g_ml: float) -> pl.DataFrame:
    made = density.cast(pl.Float64)
    return sums.with_columns(density=made, density_error=pl.when(made.is_not_null()).then(error_g_ml))

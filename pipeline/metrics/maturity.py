"""Maturity of youths in coarse bins, from stature, sitting height, mass and age."""

from __future__ import annotations

import polars as pl

from pipeline.metrics.rows import by_occasion, codes_of, values_of
from pipeline.numerics.maturity import maturity_bin, sitting_offset, stature_offset

TABLE = "body_readings"
AGES = {"male": (9.0, 18.0), "female": (8.0, 16.0)}
"""Ages of the youths that the equations were made from, about (from memory); else no bin."""
SAME_DAYS = 30
"""Mass and sitting height must be so near to the stature (methods, C7)."""

SITTING_SHARES = (0.45, 0.58)
"""Sitting height is such a share of stature; another is a slip of the tape (methods, B7)."""


def maturity(rows: pl.DataFrame, masses: pl.DataFrame) -> pl.DataFrame:
    """-1 before, 0 around, 1 after the estimated fastest growth, of each occasion with a stature.

    `rows`: `body_readings` with flags and series keys; `masses`: see `occasions`. By the equation with
    sitting height where sitting height and mass are at hand, else by stature alone: two series, never mixed.
    """
    tall = by_occasion(
        rows.filter(pl.col("quantity") == "stature"),
        [],
        stature_cm=pl.col("value").sort().mean() * 100,
        flags=codes_of(pl.col("flags")),
    )
    known = tall.join(masses.drop("athlete_id"), on="session_id", how="left", validate="m:1").filter(
        pl.any_horizontal(
            (pl.col("sex") == sex) & pl.col("age_years").is_between(*ages) for sex, ages in AGES.items()
        )
    )
    male, age, stature = pl.col("sex") == "male", pl.col("age_years"), pl.col("stature_cm")
    near = (pl.col("sitting_height_age_days").abs() <= SAME_DAYS) & (
        pl.col("body_mass_age_days").abs() <= SAME_DAYS
    )
    near &= (pl.col("sitting_height_m") * 100 / stature).is_between(*SITTING_SHARES)
    sitting = sitting_offset(male, age, stature, pl.col("sitting_height_m") * 100, pl.col("body_mass_kg"))
    with_sitting = pl.when(near).then(sitting)
    offset = pl.coalesce(with_sitting, stature_offset(male, age, stature))
    by = pl.when(with_sitting.is_not_null()).then(pl.lit("sitting_height")).otherwise(pl.lit("stature"))
    return values_of(known.with_columns(equation=by), "maturity_bin", maturity_bin(offset), _inputs(by))


def _inputs(by: pl.Expr) -> pl.Expr:
    """The rows of the body behind a bin."""
    parts = [
        pl.struct(source_table=pl.lit(TABLE), row_id=pl.col(f"{what}_row_id"), role=pl.lit(what))
        for what in ("stature", "sitting_height", "body_mass")
    ]
    whole = pl.concat_list(*parts)
    return pl.when(by == "sitting_height").then(whole).otherwise(pl.concat_list(parts[0]))

"""Row rules of body measures: the unit follows from the quantity, and must be of its kind."""

from __future__ import annotations

import polars as pl

from pipeline.intake.columns import problems_where

FAMILY = "body_measures"


def check(rows: pl.DataFrame) -> tuple[pl.DataFrame, pl.DataFrame]:
    """Rows with `unit` kg or m, and a problem for each mass in a length's unit or the reverse."""
    is_mass = pl.col("quantity") == "mass"
    filled = rows.with_columns(unit=pl.when(is_mass).then(pl.lit("kg")).otherwise(pl.lit("m")))
    of_mass = pl.col("dimension") == "mass"
    wrong = pl.col("quantity").is_not_null() & (is_mass != of_mass)
    reason = "'{seen}' is measured in a unit of another kind."
    return filled, problems_where(filled, wrong, "unknown_unit", "value", pl.col("quantity"), reason)

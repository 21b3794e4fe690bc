"""Row rules of the neck dynamometer: a rotation needs a torque, every other direction a force."""

from __future__ import annotations

import polars as pl

from pipeline.intake.columns import problems_where
from schemas.families.neck_dynamometer import ROTATIONS

FAMILY = "neck_dynamometer"


def check(rows: pl.DataFrame) -> tuple[pl.DataFrame, pl.DataFrame]:
    """Rows as given, and a problem for each direction without the quantity that it is measured by.

    A force and its lever arm make a torque; a force alone does not. A cell with a text that is no number
    is named by what read it, and not called empty here.
    """

    def filled(name: str) -> pl.Expr:
        return pl.col(f"text:{name}" if f"text:{name}" in rows.columns else name).is_not_null()

    rotates = pl.col("direction").is_in(ROTATIONS)
    force = filled("peak_force_n")
    torque = filled("peak_torque_n_m") | (force & filled("lever_arm_m"))
    direction = pl.col("direction")
    no_torque = "A '{seen}' needs its torque, or its force and the lever arm; the cells are empty."
    no_force = "A '{seen}' needs its force, and the cell is empty."
    problems = [
        problems_where(rows, rotates & ~torque, "missing_value", "peak_torque_n_m", direction, no_torque),
        problems_where(rows, ~rotates & ~force, "missing_value", "peak_force_n", direction, no_force),
    ]
    return rows, pl.concat(problems)

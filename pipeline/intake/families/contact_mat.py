"""Row rules of the contact mat: drop jumps and hops need their contact time."""

from __future__ import annotations

import polars as pl

from pipeline.intake.columns import problems_where

FAMILY = "contact_mat"


def check(rows: pl.DataFrame) -> tuple[pl.DataFrame, pl.DataFrame]:
    """Rows as given, and a problem for each drop jump or hop without contact time."""
    without = pl.col("test").is_in(["drop_jump", "repeated_hops"]) & pl.col("contact_time_s").is_null()
    reason = "A '{seen}' needs its contact time, and the cell is empty."
    return rows, problems_where(rows, without, "missing_value", "contact_time_s", pl.col("test"), reason)

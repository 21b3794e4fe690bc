"""Row rules of the timing gates: none that a single row can break."""

from __future__ import annotations

import polars as pl

from pipeline.intake.columns import PROBLEMS

FAMILY = "timing_gates"


def check(rows: pl.DataFrame) -> tuple[pl.DataFrame, pl.DataFrame]:
    """Rows as given; splits that do not rise load, and are flagged where they become measurements."""
    return rows, pl.DataFrame(schema=PROBLEMS)

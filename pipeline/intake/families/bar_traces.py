"""Row rules of bar traces: none that a single sample can break."""

from __future__ import annotations

import polars as pl

from pipeline.intake.columns import PROBLEMS

FAMILY = "bar_traces"


def check(rows: pl.DataFrame) -> tuple[pl.DataFrame, pl.DataFrame]:
    """Rows as given; what a whole trace shows is seen where its repetitions are found."""
    return rows, pl.DataFrame(schema=PROBLEMS)

"""Row rules of the resisted sprint: none that a single sample can break."""

from __future__ import annotations

import polars as pl

from pipeline.intake.columns import PROBLEMS

FAMILY = "resisted_sprint"


def check(rows: pl.DataFrame) -> tuple[pl.DataFrame, pl.DataFrame]:
    """Rows as given; what a whole trace shows is flagged on its run."""
    return rows, pl.DataFrame(schema=PROBLEMS)

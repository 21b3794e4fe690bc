"""Row rules of skinfold calipers: none that a single reading can break."""

from __future__ import annotations

import polars as pl

from pipeline.intake.columns import PROBLEMS

FAMILY = "skinfold_calipers"


def check(rows: pl.DataFrame) -> tuple[pl.DataFrame, pl.DataFrame]:
    """Rows as given; readings that are alone or apart load, and are flagged beside their fellows."""
    return rows, pl.DataFrame(schema=PROBLEMS)

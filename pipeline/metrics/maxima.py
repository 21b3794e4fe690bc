"""A performed maximum goes before an estimated one."""

from __future__ import annotations

import polars as pl

from pipeline.metrics.rows import excluded, join_codes
from pipeline.metrics.series import UNKNOWN

HOLDS_DAYS = 84
"""So long a performed maximum holds: 12 weeks (methods, D3)."""
_LIFT = ("lift", "variant")


def without_estimates(estimates: pl.DataFrame, performed: pl.DataFrame) -> pl.DataFrame:
    """Estimated maxima, without a value where one of the lift and variant was performed shortly before.

    Both are values as family modules give them, with lift and variant; one that is not known equals itself.
    A maximum of the same day counts as before.
    """
    keys = ["athlete_id", *(f"of_{name}" for name in _LIFT)]
    named = [pl.col(name).fill_null(UNKNOWN).alias(f"of_{name}") for name in _LIFT]
    lifted = (
        performed.filter(~excluded(pl.col("flags")) & pl.col("value").is_not_null())
        .select("athlete_id", *named, lifted_on=pl.col("local_date"))
        .sort("lifted_on")
    )
    placed = estimates.with_columns(named).with_row_index("place").sort("local_date")
    last = placed.join_asof(
        lifted,
        left_on="local_date",
        right_on="lifted_on",
        by=keys,
        strategy="backward",
        tolerance=f"{HOLDS_DAYS}d",
        check_sortedness=False,
        coalesce=False,
    ).sort("place")
    holds = pl.col("lifted_on").is_not_null()
    return last.with_columns(
        value=pl.when(~holds).then("value"),
        flags=join_codes(pl.col("flags"), pl.when(holds).then(pl.lit("maximum_performed"))),
    ).select(estimates.columns)

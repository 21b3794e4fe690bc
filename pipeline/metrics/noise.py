"""Noise of one trial: how far trials of an occasion scatter, pooled over everybody, on the log scale."""

from __future__ import annotations

from collections.abc import Sequence

import polars as pl

from pipeline.metrics.rows import excluded
from pipeline.numerics.repeats import squares_within
from schemas.catalogue import CATALOGUE

PUBLISHED_DEGREES = 10
"""A published typical error counts like so many degrees of freedom beside our own (methods, C4)."""
OCCASION = ("session_id", "athlete_id", "device", "method_version")


def trial_noise(rows: pl.DataFrame, metric: str, value: pl.Expr, same: Sequence[str], pool: str) -> pl.Series:
    """SD of the log of one trial's value, for each row; NULL: nothing tells.

    Trials of an occasion that are equal in `same` repeat each other; their squares are pooled over all
    occasions of equal `pool`, and the published typical error of one trial of `metric` [%], where the
    catalogue has one, counts like `PUBLISHED_DEGREES` more. Values that are not used tell nothing.
    """
    published = CATALOGUE[metric].typical_error
    prior = 0.0 if published is None or published.trial is None else published.trial / 100
    weight = PUBLISHED_DEGREES if prior else 0
    told = rows.with_columns(log=value.log()).filter(~excluded(pl.col("flags")) & pl.col("log").is_finite())
    groups = told.group_by(list(dict.fromkeys((*OCCASION, *same, pool)))).agg(
        squares=squares_within(pl.col("log")), degrees=pl.len() - 1
    )
    pools = groups.group_by(pool).agg(pl.col("squares").sort().sum(), pl.col("degrees").cast(pl.Int64).sum())
    variance = (weight * prior**2 + pl.col("squares")) / (weight + pl.col("degrees"))
    known = pools.select(pool, noise=pl.when(weight + pl.col("degrees") > 0).then(variance.sqrt()))
    joined = rows.select(pool).join(known, on=pool, how="left", nulls_equal=True, maintain_order="left")
    return joined.select(pl.coalesce("noise", pl.lit(prior or None, pl.Float64))).to_series()

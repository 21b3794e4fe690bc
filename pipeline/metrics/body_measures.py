"""Body measures: body mass and stature, and the maturity of youths in coarse bins."""

from __future__ import annotations

import polars as pl

from pipeline.metrics.maturity import maturity
from pipeline.metrics.rows import excluded, values_of, with_codes, with_series_keys

FAMILY = "body_measures"
TABLE = "body_readings"


def flag(trials: pl.DataFrame) -> pl.DataFrame:
    """`body_readings` with the codes that a row alone gives: its mark."""
    return with_codes(trials, {})


def measure(trials: pl.DataFrame, masses: pl.DataFrame) -> pl.DataFrame:
    """Values of `body_readings` as `flag` returns them, long: mass [kg], stature [cm].

    Of youths the maturity bin too (see `maturity`).
    """
    rows = with_series_keys(trials).with_columns(trial=pl.col("reading"))
    mass = rows.filter(pl.col("quantity") == "mass")
    counted = rows.filter(~excluded(pl.col("flags")))
    stature = rows.filter(pl.col("quantity") == "stature")
    parts = [
        values_of(mass, "body_mass", pl.col("value")),
        values_of(stature, "stature", pl.col("value") * 100),
        maturity(counted, masses),
    ]
    return pl.concat(parts, how="diagonal")

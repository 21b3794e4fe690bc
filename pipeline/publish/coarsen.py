"""Numbers of a group, told too coarsely to give away the one athlete in whom two tables differ.

Numbers wait until five athletes have changed (`analysis.told`). That is no help against whoever knows the
other four, or all other values; nor where the past itself becomes another one: a test that comes in late, a
correction, somebody who is forgotten. And the ends of a percentile's interval are athletes' own values.
From a mean of n and a mean of n + 1 athletes the value of the one who came is (n + 1) m' - n m. With both
rounded to steps of h, that is wrong by about n h / sqrt(6): for h of 5 SD / n about twice the SD. Rounding
adds h² / 12 to the variance of a mean, SD² / n: its standard error grows by 12 % in a group of 8, and by 1 %
in one of 100. What all numbers together leave to an attacker is measured by
tests/publish/test_differencing.py.
"""

from __future__ import annotations

from collections.abc import Sequence

import polars as pl

STEP_FACTOR = 5.0


def coarsened(rows: pl.DataFrame, values: Sequence[str], factor: float = STEP_FACTOR) -> pl.DataFrame:
    """The rows with `values` rounded to the row's step: a whole number of its last shown decimal.

    `rows` has sd, n_athletes and decimals. Rows without an SD keep what they have.
    """
    unit = pl.lit(0.1).pow(pl.col("decimals"))
    fine = factor * pl.col("sd") / pl.col("n_athletes")
    step = pl.max_horizontal((fine / unit).ceil(), 1) * unit
    rounded = (pl.col(values) / pl.col("_step")).round() * pl.col("_step")
    kept = pl.when(pl.col("_step").is_null()).then(pl.col(values)).otherwise(rounded)
    return rows.with_columns(_step=step).with_columns(kept.name.keep()).drop("_step")

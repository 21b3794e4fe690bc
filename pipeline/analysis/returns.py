"""After an injury or illness: where somebody is against the own level before, and against the other side.

Never more than that: no score, no threshold, nothing is cleared. Without an own level before there is no
per cent of it, and the other side does not stand in (corrections, 25).
"""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np
import polars as pl

from pipeline.analysis.errors import with_errors
from pipeline.analysis.usable import LINE
from pipeline.metrics.rows import as_table
from pipeline.numerics.verdicts import half_width
from schemas.catalogue import Metric
from schemas.frames import empty
from schemas.tables import TABLES

KINDS = ("injury", "illness")
_BAND = ("", "_low", "_high")


def returns(
    trends: pl.DataFrame,
    days: pl.DataFrame,
    registry: pl.DataFrame,
    events: pl.DataFrame,
    series: pl.DataFrame,
    catalogue: Mapping[str, Metric],
) -> pl.DataFrame:
    """The table `returns`: a row an injury or illness and series tested since. For the restricted file only.

    The level before is the one known on the last test before it: later tests never change it.
    """
    hurt = events.filter(pl.col("kind").is_in(KINDS), pl.col("athlete_id").is_not_null())
    hurt = hurt.select("event_id", "athlete_id", "kind", "from_date")
    met = hurt.join(trends, on="athlete_id").sort("event_id", *LINE, "local_date")
    if met.is_empty():
        return empty(TABLES["returns"])
    met = met.join(days.select(*LINE, "local_date", "full"), on=[*LINE, "local_date"], how="left")
    key = ["event_id", "series_id"]
    now = met.filter(pl.col("local_date") >= pl.col("from_date")).group_by(key, maintain_order=True).last()
    before = met.filter("full", pl.col("local_date") < pl.col("from_date"))
    before = before.group_by(key, maintain_order=True).last()
    kept = [pl.col(f"estimate_then{end}").alias(f"before_value{end}") for end in _BAND]
    rows = now.join(before.select(*key, *kept), on=key, how="left").with_columns(
        to_date="local_date", **{f"now_value{end}": f"estimate_then{end}" for end in _BAND}
    )
    rows = rows.with_columns(week=pl.lit(registry["week"].max(), pl.Date)).join(
        days.select(*LINE, "local_date", "age_class", "y", "n_trials"), on=[*LINE, "local_date"], how="left"
    )
    rows = with_errors(rows, registry, catalogue)
    rows = _against_before(rows)
    return as_table(_against_other_side(rows, series), "returns")


def _against_before(rows: pl.DataFrame) -> pl.DataFrame:
    """With the level now as per cent of the one before; the two rest on different tests, so errors add up.

    On the raw scale, where values can be zero or below, there is no per cent.
    """
    both = [
        (pl.col(f"{name}_high") / pl.col(f"{name}_low")).log() / 2 for name in ("now_value", "before_value")
    ]
    half = (both[0] ** 2 + both[1] ** 2).sqrt()
    share = (pl.col("now_value") / pl.col("before_value")).log()
    return rows.with_columns(_percent("percent_of_before", share, half))


def _percent(name: str, share: pl.Expr, half: pl.Expr) -> list[pl.Expr]:
    ends = zip(_BAND, (share, share - half, share + half), strict=True)
    return [pl.when("log").then(100 * at.exp()).alias(f"{name}{end}") for end, at in ends]


def _against_other_side(rows: pl.DataFrame, series: pl.DataFrame) -> pl.DataFrame:
    """With the last value as per cent of the other side's of the same day, where there are two sides.

    The error is that of both: sqrt(e² + e²) on the log scale (corrections, 25).
    """
    sides = series.select("series_id", "pair_id", "body_side").drop_nulls("pair_id")
    rows = rows.join(sides, on="series_id", how="left")
    other = rows.select(
        "event_id", "pair_id", "body_side", "local_date", y_other="y", n_other="n_trials"
    ).drop_nulls("pair_id")
    key = ["event_id", "pair_id", "local_date"]
    joined = rows.join(other, on=key, how="left", suffix="_other")
    opposite = (pl.col("body_side") != pl.col("body_side_other")).fill_null(False)
    pairs = joined.filter(opposite).select("event_id", "series_id", "y_other", "n_other")
    rows = rows.join(pairs, on=["event_id", "series_id"], how="left")
    variance = 2 * pl.col("between") + pl.col("within") * (1 / pl.col("n_trials") + 1 / pl.col("n_other"))
    found = rows.select(variance=variance.fill_null(np.nan), degrees="degrees").to_numpy()
    half = pl.Series(half_width(np.sqrt(found[:, 0]), found[:, 1])).fill_nan(None)
    rows = rows.with_columns(half=half)
    return rows.with_columns(
        _percent("percent_of_other_side", pl.col("y") - pl.col("y_other"), pl.col("half"))
    )

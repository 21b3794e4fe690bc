"""How far levels wander: one figure a metric and week, by pooled maximum likelihood, never below its floor.

A pooled estimate is drawn to zero by people who stay as they are, and would then hide the one who changes;
so the catalogue's `drift` is a floor (corrections, 33), and the ceiling keeps a squad that learns from
making all others look restless.
"""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np
import polars as pl

from pipeline.analysis.errors import with_errors
from pipeline.analysis.level_rows import laid_out
from pipeline.analysis.usable import LINE
from pipeline.numerics.local_level import Rows
from pipeline.numerics.two_speeds import log_likelihood
from schemas.catalogue import Metric

STEPS = np.geomspace(1.0, 2.5, 8)  # of the floor; 1.5 % to 3.75 % for jumps (methods, C6: 0.5 to 4 %)
LINES, SESSIONS = 20, 5
"""Series of so many sessions from which the drift is estimated at all (honesty, "Unsure")."""


def with_drift(registry: pl.DataFrame, days: pl.DataFrame, catalogue: Mapping[str, Metric]) -> pl.DataFrame:
    """The table `reliability` with `drift` as the data up to each week say.

    The likelihood of a session is taken with the errors known in its own week, so that one pass a step
    serves all weeks.
    """
    steady = days.filter(~pl.col("first"))
    weekly = _likelihoods(steady, registry, catalogue)
    counts = _counts(steady, registry)
    best = weekly.join(counts, on=["metric", "week"], how="left").with_columns(
        factor=pl.when(pl.col("lines") >= LINES).then("factor").otherwise(1.0)
    )
    floors = {name: metric.drift for name, metric in catalogue.items()}
    floor = pl.col("metric").replace_strict(floors, return_dtype=pl.Float64)
    joined = registry.drop("drift").join(
        best.select("metric", "week", "factor"), on=["metric", "week"], how="left"
    )
    return joined.with_columns(drift=floor * pl.col("factor").fill_null(1.0)).select(registry.columns)


def _likelihoods(days: pl.DataFrame, registry: pl.DataFrame, catalogue: Mapping[str, Metric]) -> pl.DataFrame:
    """The likeliest factor of each metric by week: metric, week, factor."""
    rows = with_errors(days.with_columns(week=pl.col("local_date").dt.truncate("1w")), registry, catalogue)
    rows = rows.filter(pl.col("between").is_not_null())
    schema = {"metric": pl.String, "week": pl.Date, "factor": pl.Float64}
    if rows.is_empty():
        return pl.DataFrame(schema=schema)
    rows = rows.sort(*LINE, "local_date")
    noise = pl.col("between") + pl.col("within") / pl.col("n_trials")
    # The noise of each session by itself: 1 / trials in the words of `Rows`.
    sessions, first, size = laid_out(rows.with_columns(n_trials=1 / noise))
    floor = rows["drift"].to_numpy()[first]
    told = {}
    for number, step in enumerate(STEPS):
        line = Rows(first, size, np.zeros(first.size), np.ones(first.size), floor * step**2)
        told[f"l{number}"] = pl.Series(log_likelihood(sessions, line))
    sums = (
        rows.select("metric", "week")
        .with_columns(**told)
        .group_by("metric", "week")
        .agg(pl.col(list(told)).sort().sum())
    )
    grid = registry.select("metric", "week").unique().join(sums, on=["metric", "week"], how="left")
    grid = grid.sort("metric", "week").with_columns(
        pl.col(list(told)).fill_null(0.0).cum_sum().over("metric")
    )
    return grid.select("metric", "week", factor=pl.Series(_peak(grid.select(list(told)).to_numpy())))


def _peak(likelihood: np.ndarray) -> np.ndarray:
    """The factor at the top of each row: of a parabola through the highest step and its neighbours."""
    top = likelihood.argmax(axis=1)
    inner = np.clip(top, 1, STEPS.size - 2)
    at = np.arange(top.size)
    low, middle, high = (likelihood[at, inner + shift] for shift in (-1, 0, 1))
    bend = low - 2 * middle + high
    shift = np.where(bend < 0, (low - high) / (2 * np.where(bend < 0, bend, 1.0)), 0.0)
    ratio = np.log(STEPS[1] / STEPS[0])
    place = np.where(top == inner, inner + np.clip(shift, -1, 1), top)
    return np.asarray(np.exp(place * ratio))


def _counts(days: pl.DataFrame, registry: pl.DataFrame) -> pl.DataFrame:
    """How many series had enough sessions by each week: metric, week, lines."""
    nth = pl.int_range(pl.len()).over(LINE, order_by="local_date") + 1
    reached = days.with_columns(nth=nth).filter(pl.col("nth") == SESSIONS)
    reached = reached.group_by("metric", week=pl.col("local_date").dt.truncate("1w")).agg(lines=pl.len())
    weeks = registry.select("metric", "week").unique().join(reached, on=["metric", "week"], how="left")
    return weeks.sort("metric", "week").with_columns(
        lines=pl.col("lines").fill_null(0).cum_sum().over("metric")
    )

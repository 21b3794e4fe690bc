"""What a squad's change is: the mean over its athletes, and how far they differ beyond noise."""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np
import polars as pl
from scipy.special import chdtri, stdtrit

from pipeline.metrics.rows import as_table
from pipeline.numerics.percentiles import Floats
from pipeline.numerics.verdicts import LEVEL
from schemas.catalogue import Metric

FEWEST = 5
"""Athletes of a squad below which nothing is written: fewer could be told apart (methods, C7)."""
_CELL = ("as_of", "squad", "metric", "series_id", "span")


def squad_changes(
    followed: pl.DataFrame, squads: pl.DataFrame, catalogue: Mapping[str, Metric]
) -> pl.DataFrame:
    """The table `squad_changes`, of athletes tested that week and fully available.

    Values are taken as measured, not drawn to a level, so that the mean is not drawn to zero. `followed`:
    as `followed_changes` gives it; `squads`: the table `session_squads`. In per cent where the metric's
    scale is log.
    """
    rows = followed.filter("full").join(squads, on="session_id")
    y = pl.col("y_change").sort()
    groups = rows.group_by(_CELL).agg(
        n_athletes=pl.len(),
        mean=y.mean(),
        sd=y.std(),
        noise=pl.col("y_variance").sort().mean(),
        log=pl.col("log").first(),
    )
    groups = groups.filter(pl.col("n_athletes") >= FEWEST).sort(_CELL)
    n, mean, sd, noise = (
        groups[name].cast(pl.Float64).to_numpy() for name in ("n_athletes", "mean", "sd", "noise")
    )
    half = stdtrit(n - 1, (1 + LEVEL) / 2) * sd / np.sqrt(n)
    shown = {"change": mean, "change_low": mean - half, "change_high": mean + half, **_spread(n, sd, noise)}
    log = groups["log"].to_numpy()
    units = {name: metric.unit for name, metric in catalogue.items()}
    own = pl.col("metric").replace_strict(units, return_dtype=pl.String)
    return as_table(
        groups.with_columns(
            **{
                name: pl.Series(np.where(log, 100 * np.expm1(v), v)).fill_nan(None)
                for name, v in shown.items()
            },
            unit=pl.when("log").then(pl.lit("%")).otherwise(own),
        ),
        "squad_changes",
    )


def _spread(n: Floats, sd: Floats, noise: Floats) -> dict[str, Floats]:
    """SD of the true changes: sqrt(SD² - noise), its ends by the chi-square of SD²; NaN: none detectable.

    Source: methods, C5 (individual response); the lower end is 0 where noise alone may explain the spread.
    """
    squares = (n - 1) * sd**2
    low, high = (squares / chdtri(n - 1, tail) - noise for tail in ((1 - LEVEL) / 2, (1 + LEVEL) / 2))
    beyond = sd**2 - noise
    return {
        "spread_of_response": np.sqrt(np.where(beyond > 0, beyond, np.nan)),
        "spread_of_response_low": np.sqrt(np.maximum(low, 0.0)),
        "spread_of_response_high": np.sqrt(np.maximum(high, 0.0)),
    }

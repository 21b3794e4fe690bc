"""Which rows say how a minor's body is composed: they are kept apart, and out of every group."""

from __future__ import annotations

from collections.abc import Mapping

import polars as pl

from pipeline.analysis.sessions import age_years
from schemas.catalogue import Metric

ADULT_YEARS = 18
"""Age from which body composition is shown with all else; an unknown birth date counts as under it."""


def of_minors(births: pl.DataFrame, athlete: pl.Expr, day: pl.Expr) -> pl.Expr:
    """Whether somebody is not yet 18 on a day, or it is not known. `births`: athlete_id, birth_date."""
    known = dict(births.select("athlete_id", "birth_date").drop_nulls().iter_rows())
    birth = athlete.replace_strict(known, default=None, return_dtype=pl.Date)
    return ~(age_years(birth, day) >= ADULT_YEARS).fill_null(False)


def restricted_values(
    catalogue: Mapping[str, Metric], births: pl.DataFrame, day: str = "local_date"
) -> pl.Expr:
    """Whether a row with metric, athlete_id and a day is a minor's body composition."""
    metrics = [metric.metric for metric in catalogue.values() if metric.restricted_minors]
    return pl.col("metric").is_in(metrics) & of_minors(births, pl.col("athlete_id"), pl.col(day))

"""The registry's errors beside sessions, on the analysis scale."""

from __future__ import annotations

from collections.abc import Mapping

import polars as pl

from schemas.catalogue import Metric

DRIFT_DAYS = 28.0
"""Days over which a drift is stated."""


def with_errors(rows: pl.DataFrame, registry: pl.DataFrame, catalogue: Mapping[str, Metric]) -> pl.DataFrame:
    """Rows (with metric, series_id, age_class, week) and what the registry's row of that week says.

    Added: reliability_id, degrees, log (whether the metric's scale is), between, within (noise of a
    session's value: between + within / trials), drift (variance a day), worthwhile (NULL where the coach
    set it in the metric's unit: then worthwhile_value); variances on the analysis scale. NULL where there
    is no error: cannot tell.
    """
    traits = pl.DataFrame(
        [
            (m.metric, m.scale == "log", m.summary == "best", m.smallest_worthwhile)
            for m in catalogue.values()
        ],
        schema={"metric": pl.String, "log": pl.Boolean, "one": pl.Boolean, "worthwhile_value": pl.Float64},
        orient="row",
    )
    known = registry.join(traits, on="metric")
    session, trial = on_scale("session_error") ** 2, on_scale("trial_error") ** 2
    within = pl.when("one").then(0.0).otherwise(trial.fill_null(0.0))
    told = known.select(
        "series_id",
        "age_class",
        "week",
        "reliability_id",
        "log",
        "worthwhile_value",
        degrees="degrees_of_freedom",
        within=within,
        between=pl.max_horizontal(session - within / pl.col("n_trials"), 0.0),
        drift=on_scale("drift") ** 2 / DRIFT_DAYS,
        worthwhile=on_scale("smallest_worthwhile"),
        known=session.is_not_null(),
    ).with_columns(between=pl.when("known").then("between"))
    return rows.join(told.drop("known"), on=["series_id", "age_class", "week"], how="left", validate="m:1")


def on_scale(column: str) -> pl.Expr:
    """An error in per cent as an SD of logarithms, where the metric's scale is log."""
    return pl.when("log").then((pl.col(column) / 100).log1p()).otherwise(pl.col(column))

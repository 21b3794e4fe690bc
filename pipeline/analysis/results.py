"""Results: a session's summary of a metric in a series, with its borrowed errors and its flags."""

from __future__ import annotations

from collections.abc import Mapping

import polars as pl

from pipeline.metrics.rows import as_table, join_codes
from schemas.catalogue import Metric

_RULES = {
    "metric": pl.String,
    "summary": pl.String,
    "better": pl.String,
    "scale": pl.String,
    "learned": pl.Boolean,
    "min_trials": pl.Int64,
    "published_trial": pl.Float64,
    "published_session": pl.Float64,
}


def summarise(
    measurements: pl.DataFrame, sessions: pl.DataFrame, catalogue: Mapping[str, Metric]
) -> pl.DataFrame:
    """The table `results`: one row an athlete, metric, series and session with a used value.

    `value` is the metric's summary, `best` its best value (NULL where no direction is better), both in
    the metric's unit. `trial_error` is the noise of one trial, `session_error` that of a session's value
    between days, both published for other people; the first never stands in for the second.
    """
    groups = _grouped(measurements).join(_rules(catalogue), on="metric", how="left", validate="m:1")
    known = sessions.select("session_id", "session_date", "local_date", "available")
    rows = groups.join(known, on="session_id", how="left", validate="m:1")
    highest = pl.col("better") == "higher"
    best = pl.when(highest).then(pl.col("highest")).when(pl.col("better") == "lower").then(pl.col("lowest"))
    summary = pl.col("summary")
    value = pl.when(summary == "median").then(pl.col("median")).when(summary == "best").then(best)
    summed = rows.with_columns(best=best, value=value.otherwise(pl.col("mean")))
    errors = summed.with_columns(
        trial_error=_error("published_trial"), session_error=_error("published_session"), flags=_flags()
    )
    borrowed = pl.any_horizontal(pl.col("trial_error", "session_error").is_not_null())
    results = errors.with_columns(error_origin=pl.when(borrowed).then(pl.lit("published")))
    return as_table(results, "results")


def _grouped(measurements: pl.DataFrame) -> pl.DataFrame:
    """Used values a group: mean, median, lowest, highest, n_trials, unit, and all codes joined by ';'.

    Sorted within the group before the mean (fine print, "Published shapes"): no last digit may hang on the
    order of rows or on how a sum is split among threads.
    """
    value = pl.col("value").sort()
    # A jump that may have been landed with bent knees counts for the level, and is nobody's best.
    bent = pl.col("flags").str.split(";").list.contains("landing_suspect").fill_null(False)
    group = ["athlete_id", "metric", "series_id", "session_id"]
    used = measurements.filter(pl.col("used")).select(*group, "value", "unit", "flags")
    tried = measurements.group_by(group).agg(n_tried=pl.len())
    summed = used.group_by(group).agg(
        mean=value.mean(),
        median=value.median(),
        lowest=pl.col("value").filter(~bent).min(),
        highest=pl.col("value").filter(~bent).max(),
        n_trials=pl.len(),
        unit=pl.col("unit").first(),
        codes=pl.col("flags").drop_nulls().unique().sort().str.join(";"),
    )
    return summed.join(tried, on=group, how="left", nulls_equal=True)


def _rules(catalogue: Mapping[str, Metric]) -> pl.DataFrame:
    """What the catalogue says of summing up, a row a metric."""
    rows = [
        {
            **metric.model_dump(include={"metric", "summary", "better", "scale", "learned", "min_trials"}),
            "published_trial": metric.typical_error.trial if metric.typical_error else None,
            "published_session": metric.typical_error.session if metric.typical_error else None,
        }
        for metric in catalogue.values()
    ]
    return pl.DataFrame(rows, schema=_RULES)


def _error(published: str) -> pl.Expr:
    """A published error in the metric's unit: per cent of the value on the log scale, else as it is."""
    share = pl.col("value") * pl.col(published) / 100
    return pl.when(pl.col("scale") == "log").then(share).otherwise(pl.col(published))


def _flags() -> pl.Expr:
    """The codes of the used values, and those of the session's summary itself."""
    first = pl.col("session_date").min().over("athlete_id", "series_id")
    own = {
        "familiarisation": pl.col("learned") & (pl.col("session_date") == first),
        "not_fully_available": pl.col("available") != "yes",
        "few_trials": pl.col("n_trials") < pl.col("min_trials"),
    }
    return join_codes(pl.col("codes"), *(pl.when(holds).then(pl.lit(code)) for code, holds in own.items()))

"""Session values as errors, trends and changes use them: one a day, and what cuts a level.

Left out are excluded values, and values that rest on a later body mass. A session of familiarisation stays,
marked `first`, for what it says of learning; so do those of people who were not fully available: they say
where somebody is, not where somebody usually is.
"""

from __future__ import annotations

from collections.abc import Mapping

import polars as pl

from pipeline.analysis.minors import ADULT_YEARS
from schemas.catalogue import Metric
from schemas.codes import EXCLUDING

LONG_GAP_DAYS = 90
"""Days without a value after which a level starts anew (methods, C6)."""
LONG_BREAK_DAYS = 28
"""Days from which a recorded break makes a level start anew (judgement)."""
LEFT_OUT = EXCLUDING | {"mass_provisional"}
_CUTS_ALWAYS = ("injury", "illness")
LINE = ("metric", "series_id", "athlete_id")


def usable_sessions(
    results: pl.DataFrame,
    sessions: pl.DataFrame,
    squads: pl.DataFrame,
    events: pl.DataFrame,
    series: pl.DataFrame,
    catalogue: Mapping[str, Metric],
) -> pl.DataFrame:
    """A row a day of an athlete's series, sorted by `LINE` and day.

    Columns: `LINE`, session_id, local_date, value [metric's unit], y (analysis scale), n_trials, first,
    full, age_class, pool, anew (the level starts anew here), crosses (a training block began or ended since
    the day before). The frames are the declared tables; `events` has those of single athletes too.
    """
    rows = results.filter(~_has(LEFT_OUT)).join(_scales(catalogue), on="metric")
    rows = rows.join(
        sessions.select("session_id", "age_years", "available"), on="session_id", how="left", validate="m:1"
    )
    days = _days(rows).join(pools(series, catalogue), on="series_id")
    if days.is_empty():
        return days.with_columns(anew=pl.lit(False), crosses=pl.lit(False))
    days = days.sort(*LINE, "local_date").with_columns(row=pl.int_range(pl.len()))
    # Whether the row above is of the same line, for all that is asked of it: `over` would compare texts.
    follows = days.select(follows=(pl.struct(LINE).rle_id().diff() == 0).fill_null(False))["follows"]
    days = days.with_columns(before=pl.when(follows).then(pl.col("local_date").shift(1)))
    lasting = (pl.col("to_date") - pl.col("from_date")).dt.total_days() + 1 >= LONG_BREAK_DAYS
    cuts = events.filter(pl.col("kind").is_in(_CUTS_ALWAYS) | ((pl.col("kind") == "break") & lasting))
    blocks = events.filter(pl.col("kind") == "block")
    gap = (pl.col("local_date") - pl.col("before")).dt.total_days() > LONG_GAP_DAYS
    turned = follows & (pl.col("full") != pl.col("full").shift(1))
    cut = pl.col("row").is_in(_crossed(days, cuts, squads).implode())
    return days.with_columns(
        anew=pl.col("before").is_null() | gap | turned | cut,
        crosses=pl.col("row").is_in(_crossed(days, blocks, squads).implode()),
    ).drop("before", "row")


def pools(series: pl.DataFrame, catalogue: Mapping[str, Metric]) -> pl.DataFrame:
    """series_id and pool: the series over which errors are pooled share one."""
    found = [pl.DataFrame(schema={"series_id": pl.String, "pool": pl.String})]
    for metric in catalogue.values():
        keys = [pl.format(f"{key}={{}}", pl.col(key).fill_null("")) for key in metric.pool_keys]
        label = pl.concat_str([pl.lit(metric.metric), *keys], separator="; ")
        found.append(series.filter(pl.col("metric") == metric.metric).select("series_id", pool=label))
    return pl.concat(found)


def _has(codes: frozenset[str]) -> pl.Expr:
    return pl.col("flags").str.contains(f"(^|;)({'|'.join(sorted(codes))})(;|$)").fill_null(False)


def _scales(catalogue: Mapping[str, Metric]) -> pl.DataFrame:
    rows = [(metric.metric, metric.scale) for metric in catalogue.values()]
    return pl.DataFrame(rows, schema=["metric", "scale"], orient="row")


def _days(rows: pl.DataFrame) -> pl.DataFrame:
    """One row a day: the mean of the day's sessions. A value that has no logarithm is left out."""
    full, first = ~_has(frozenset({"not_fully_available"})), _has(frozenset({"familiarisation"}))
    log = pl.col("scale") == "log"
    day = (
        rows.with_columns(full=full, first=first)
        .group_by(*LINE, "scale", "local_date")
        .agg(
            pl.col("session_id").min(),
            pl.col("value").sort().mean(),
            pl.col("n_trials").sum().cast(pl.Float64),
            pl.col("full").all(),
            pl.col("first").any(),
            pl.col("age_years").min(),
        )
        .filter((pl.col("value") > 0) | ~log)
    )
    adult = (pl.col("age_years") >= ADULT_YEARS).fill_null(False)
    return day.with_columns(
        y=pl.when(log).then(pl.col("value").log()).otherwise("value"),
        age_class=pl.when(adult).then(pl.lit("adult")).otherwise(pl.lit("youth")),
    ).drop("age_years")


def of_squads_and_athletes(rows: pl.DataFrame, events: pl.DataFrame, squads: pl.DataFrame) -> pl.DataFrame:
    """Rows (athlete_id, session_id, …) joined with the events of the athlete, and of the squads that day."""
    spans = events.select("athlete_id", "squad", "from_date", "to_date")
    own = rows.join(spans.drop("squad").drop_nulls("athlete_id"), on="athlete_id")
    member = rows.join(squads, on="session_id").join(spans.drop("athlete_id").drop_nulls("squad"), on="squad")
    return pl.concat([own, member.select(own.columns)])


def _crossed(days: pl.DataFrame, events: pl.DataFrame, squads: pl.DataFrame) -> pl.Series:
    """Numbers of the rows between which and the day before an event began, or the first day after it came."""
    rows = days.select("row", "athlete_id", "session_id", "local_date", "before")
    met = of_squads_and_athletes(rows, events, squads)
    passed = [
        (pl.col("before") < day) & (day <= pl.col("local_date"))
        for day in (pl.col("from_date"), pl.col("to_date").dt.offset_by("1d"))
    ]
    return met.filter(pl.any_horizontal(passed))["row"].unique()

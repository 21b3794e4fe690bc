"""Weekly norms: what is usual for a metric in a group of athletes, for every ISO week.

One value an athlete and series: the median of the athlete's session values of the 365 days that end on the
week's Sunday (methods, C7). Athletes are counted, never tests; how much is shown depends on their number.
"""

from __future__ import annotations

import hashlib
from collections.abc import Mapping
from datetime import date, timedelta

import numpy as np
import polars as pl

from pipeline.analysis.norm_tables import PERCENTILE_NEEDS, norm_tables
from pipeline.analysis.populations import ladder, population_table, season_label
from pipeline.numerics.percentiles import Floats, Ints, order_statistic_ranks, percentiles_by_group
from pipeline.numerics.shrinkage import group_moments, shrink
from schemas.catalogue import Metric
from schemas.codes import EXCLUDING
from schemas.models import polars_schema
from schemas.tables import TABLES

WINDOW_DAYS = 365
# A provisional body mass may be from a later day, and norms of a past week must not look into the future.
LEFT_OUT = EXCLUDING | {"familiarisation", "not_fully_available", "mass_provisional"}
_RULES = "norms 1"  # raise it when the same inputs give other numbers, so that norms_version tells
_SERIES = ("metric", "series_id")
_TABLES = ("populations", "norms", "norm_percentiles")


def norm_weeks(results: pl.DataFrame, as_of: date) -> list[date]:
    """Mondays of the ISO weeks from the first result to the one that `as_of` is in; none without results."""
    first = results["local_date"].min()
    if not isinstance(first, date):
        return []
    monday = first - timedelta(days=first.weekday())
    return [monday + timedelta(days=7 * i) for i in range((as_of - monday).days // 7 + 1)]


def weekly_norms(
    results: pl.DataFrame,
    people: pl.DataFrame,
    states: pl.DataFrame,
    catalogue: Mapping[str, Metric],
    as_of: date,
    season_start: str,
) -> dict[str, pl.DataFrame]:
    """The tables `populations`, `norms` and `norm_percentiles`, for every week of `norm_weeks`.

    `results` is the declared table. `people` has athlete_id, sex, birth_date. `states` has athlete_id, week
    (a Monday), sport, position, competition_level: the period in force on that week's Sunday. Results later
    than `as_of`, or flagged with a code of `LEFT_OUT`, are left out.
    `season_start` is MM-DD; a week is in the season of its Sunday. The order of rows never matters.
    """
    usable = _usable(results, as_of)
    by_week = states.partition_by("week", as_dict=True)
    nobody = states.clear()
    members, groups = [], []
    for week in norm_weeks(results, as_of):
        values = _one_value(usable, week)
        if values.height == 0:
            continue
        sunday = week + timedelta(days=6)
        tested = people.join(values, on="athlete_id", how="semi")
        rungs = ladder(tested, by_week.get((week,), nobody), sunday)
        season = season_label(sunday, season_start)
        label = [pl.lit(week).alias("week"), pl.lit(season).alias("season")]
        counted = rungs.group_by(pl.exclude("athlete_id")).agg(n_members=pl.len())
        members.append(counted.with_columns(label))
        version = f"{season}-{_inputs_hash(week, values, rungs)}"
        described = _describe(values, rungs)
        groups.append(described.with_columns(*label, pl.lit(version).alias("norms_version")))
    if not groups:
        return {name: pl.DataFrame(schema=polars_schema(TABLES[name])) for name in _TABLES}
    populations = population_table(pl.concat(members))
    return norm_tables(pl.concat(groups), populations, catalogue)


def may_enter() -> pl.Expr:
    """Whether a result carries no code that keeps it out of norms."""
    left_out = pl.col("flags").str.split(";").list.set_intersection(sorted(LEFT_OUT)).list.len() > 0
    return left_out.fill_null(False).not_()


def in_window(week: date) -> pl.Expr:
    """Whether a local_date is one of the days that end with the Sunday of a week."""
    sunday = week + timedelta(days=6)
    return pl.col("local_date").is_between(sunday - timedelta(days=WINDOW_DAYS - 1), sunday)


def _usable(results: pl.DataFrame, as_of: date) -> pl.DataFrame:
    """Results that may enter norms, as of a date."""
    known = results.filter(pl.col("local_date") <= as_of, may_enter())
    return known.select("athlete_id", *_SERIES, "local_date", "value")


def _one_value(usable: pl.DataFrame, week: date) -> pl.DataFrame:
    """One value an athlete and series: the median of the sessions of the window of a week, sorted."""
    medians = usable.filter(in_window(week)).group_by("athlete_id", *_SERIES).agg(pl.col("value").median())
    return medians.sort("athlete_id", *_SERIES)


def _inputs_hash(week: date, values: pl.DataFrame, rungs: pl.DataFrame) -> str:
    """First 12 hex digits of the SHA-256 of all that a week's norms are made from, in sorted order."""
    grouped = rungs.select("athlete_id", "label").sort("athlete_id", "label")
    entered = values.join(grouped, on="athlete_id", how="semi").sort("athlete_id", *_SERIES)
    digest = hashlib.sha256(f"{_RULES}\n{week.isoformat()}\n".encode())
    digest.update(grouped.write_csv().encode())
    digest.update(entered.drop("value").write_csv().encode())
    digest.update(entered["value"].to_numpy().astype("<f8").tobytes())
    return digest.hexdigest()[:12]


def _describe(values: pl.DataFrame, rungs: pl.DataFrame) -> pl.DataFrame:
    """Every group's numbers of every series, whatever its size: label, metric, series_id, n_athletes, …

    Columns p05 … p95 are the percentiles, low05 … low95 and high05 … high95 their 90 % intervals; NaN where
    there is none.
    """
    series = values.select(_SERIES).unique().sort(_SERIES).with_row_index("series")
    groups = rungs.select("rung", "label", "parent_label").unique().sort("rung", "label")
    groups = groups.with_row_index("group")
    rows = (
        values.join(series, on=_SERIES)
        .select("athlete_id", "series", "value")
        .join(rungs.join(groups, on="label").select("athlete_id", "group"), on="athlete_id")
        .select(code=pl.col("group").cast(pl.Int64) * series.height + pl.col("series"), value="value")
        .sort("code", "value")
    )
    code, offsets = np.unique(rows["code"].to_numpy(), return_index=True)
    offsets = np.append(offsets, rows.height)
    wider_groups = groups.select(parent_label="label", wider=pl.col("group").cast(pl.Int64))
    wider = groups.join(wider_groups, on="parent_label", how="left").sort("group")["wider"]
    group, serial = np.divmod(code, series.height)
    above = wider.fill_null(-1).to_numpy()[group]
    parent = np.where(above < 0, -1, np.searchsorted(code, above * series.height + serial))
    named = pl.concat([groups.select("label")[group], series.drop("series")[serial]], how="horizontal")
    return named.with_columns(**_numbers(rows["value"].to_numpy(), offsets, parent))


def _numbers(ordered: Floats, offsets: Ints, parent: Ints) -> dict[str, pl.Series]:
    """What `_describe` says of groups laid end to end, by column."""
    size = np.diff(offsets)
    mean, sd = group_moments(ordered, offsets)
    shrunk_mean, shrunk_sd = shrink(size, mean, sd, parent)
    found = {"mean": mean, "sd": sd, "shrunk_mean": shrunk_mean, "shrunk_sd": shrunk_sd}
    points = percentiles_by_group(ordered, offsets, [p / 100 for p in PERCENTILE_NEEDS])
    for p, point in zip(PERCENTILE_NEEDS, points.T, strict=True):
        found[f"p{p:02d}"] = point
        for end, rank in zip(("low", "high"), order_statistic_ranks(size, p / 100), strict=True):
            at = ordered[offsets[:-1] + np.maximum(rank, 1) - 1]
            found[f"{end}{p:02d}"] = np.where(rank > 0, at, np.nan)
    numbers = {name: pl.Series(column) for name, column in found.items()}
    return {"n_athletes": pl.Series(size, dtype=pl.Int32), **numbers}

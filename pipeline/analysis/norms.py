"""Weekly norms: what is usual for a metric in a group of athletes, for every ISO week.

One value an athlete and series: the median of the athlete's session values of the 365 days that end on the
week's Sunday (methods, C7). Athletes are counted, never tests; how much is shown depends on their number.
"""

from __future__ import annotations

import hashlib
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from datetime import date, timedelta

import numpy as np
import polars as pl

from pipeline.analysis.norm_tables import PERCENTILE_NEEDS, norm_tables
from pipeline.analysis.one_value import Usable, Values, usable, values_of_week
from pipeline.analysis.populations import OwnPopulation, ladder, population_table, season_label
from pipeline.numerics.grouped import Grouped, group_values
from pipeline.numerics.percentiles import Floats, Ints, order_statistic_ranks, percentiles_by_group
from pipeline.numerics.shrinkage import group_moments, shrink
from schemas.catalogue import Metric
from schemas.frames import polars_schema
from schemas.tables import TABLES

_RULES = "norms 2"  # raise it when the same inputs give other numbers, so that norms_version tells
_TABLES = ("populations", "norms", "norm_percentiles")
Seen = Callable[[date, str, Usable, Values, "GroupedWeek"], None]


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
    own: Sequence[OwnPopulation] = (),
    weeks: Sequence[date] | None = None,
    seen: Seen | None = None,
    present: pl.DataFrame | None = None,
) -> dict[str, pl.DataFrame]:
    """The tables `populations`, `norms` and `norm_percentiles`, for some weeks (every one of `norm_weeks`).

    `results` is the declared table. `people` has athlete_id, sex, birth_date. `states` has athlete_id, week
    (a Monday), sport, position, competition_level (and squad, where a population of `own` asks for it): the
    period in force on that week's Sunday. Results later than `as_of`, or flagged with a code of `LEFT_OUT`,
    are left out. `season_start` is MM-DD; a week is in the season of its Sunday. The order of rows never
    matters. `seen` is given every week in its groups, the earlier first, with its norms_version. `present`
    (athlete_id, week): who is in groups in a week; everybody where it is not given.
    """
    weeks = norm_weeks(results, as_of) if weeks is None else weeks
    sessions = usable(results, people, weeks, as_of)
    by_week = states.partition_by("week", as_dict=True)
    nobody = states.clear()
    members, groups = [], []
    for week in sorted(weeks):
        values = values_of_week(sessions, week)
        if values.value.size == 0:
            continue
        here = people
        if present is not None:
            here = people.join(present.filter(pl.col("week") == week), on="athlete_id", how="semi")
        grouped = group_week(sessions, values, here, by_week.get((week,), nobody), week, own)
        season = season_label(week + timedelta(days=6), season_start)
        label = [pl.lit(week).alias("week"), pl.lit(season).alias("season")]
        counted = grouped.rungs.group_by(pl.exclude("athlete_id", "group", "wider")).agg(n_members=pl.len())
        members.append(counted.with_columns(label))
        version = f"{season}-{_inputs_hash(week, sessions, values, grouped)}"
        if seen is not None:
            seen(week, version, sessions, values, grouped)
        described = describe(sessions, grouped, catalogue)
        groups.append(described.with_columns(*label, pl.lit(version).alias("norms_version")))
    if not groups:
        return {name: pl.DataFrame(schema=polars_schema(TABLES[name])) for name in _TABLES}
    populations = population_table(pl.concat(members))
    return norm_tables(groups, populations, catalogue)


@dataclass(frozen=True)
class GroupedWeek:
    """The values of a week in their groups.

    `rungs`: as `ladder` gives it, with the numbers of each `group` and of the `wider` one (NULL: none),
    sorted by group. `of_athlete`: by rung (of a population of the facility's own: by label) the group
    of each athlete of `Usable.athletes`, -1 where none. A cell of `cells` is group * (number of series) +
    series.
    """

    rungs: pl.DataFrame
    of_athlete: dict[str, Ints]
    cells: Grouped


def group_week(
    sessions: Usable,
    values: Values,
    people: pl.DataFrame,
    states: pl.DataFrame,
    week: date,
    own: Sequence[OwnPopulation] = (),
) -> GroupedWeek:
    """Put the values of a week into the groups of that week's Sunday; arguments as in `weekly_norms`."""
    some = np.flatnonzero(np.bincount(values.athlete))
    tested = pl.DataFrame({"athlete_id": sessions.athletes.gather(some)})
    known = people.join(tested, on="athlete_id", how="semi")
    rungs = _numbered(ladder(known, states, week + timedelta(days=6), own))
    places = pl.DataFrame({"athlete_id": sessions.athletes}).with_row_index("athlete")
    placed = rungs.join(places, on="athlete_id", maintain_order="left")
    of_athlete, group, member = {}, [], []
    for (rung,), part in placed.partition_by("rung_of", maintain_order=True, as_dict=True).items():
        found = np.full(sessions.athletes.len(), -1, dtype=np.int64)
        found[part["athlete"].to_numpy()] = part["group"].to_numpy()
        entered = np.flatnonzero(found[values.athlete] >= 0)
        of_athlete[str(rung)] = found
        member.append(entered)
        group.append(found[values.athlete[entered]] * sessions.series.height + values.series[entered])
    nothing = np.zeros(0, dtype=np.int64)
    cells = group_values(np.concatenate([nothing, *group]), np.concatenate([nothing, *member]), values.value)
    return GroupedWeek(rungs.drop("rung_of"), of_athlete, cells)


def _numbered(rungs: pl.DataFrame) -> pl.DataFrame:
    """Rows with the number of their group and of the next wider, and `rung_of`: in which of these an athlete
    is in one group at most."""
    groups = rungs.select("rung", "label", "parent_label").unique().sort("rung", "label")
    groups = groups.with_columns(group=pl.int_range(pl.len(), dtype=pl.Int64))
    wider = groups.select(parent_label="label", wider="group")
    groups = groups.join(wider, on="parent_label", how="left").select("label", "group", "wider")
    # A facility's own groups may overlap.
    own = pl.when(pl.col("rung") == 0).then("label").otherwise(pl.col("rung").cast(pl.String))
    return rungs.join(groups, on="label").with_columns(rung_of=own).sort("group", "athlete_id")


def _inputs_hash(week: date, sessions: Usable, values: Values, grouped: GroupedWeek) -> str:
    """First 12 hex digits of the SHA-256 of all that a week's norms are made from, in sorted order."""
    members = grouped.rungs.select("athlete_id", "label").sort("athlete_id", "label")
    in_group = np.zeros(sessions.athletes.len(), dtype=bool)
    for of_athlete in grouped.of_athlete.values():
        in_group |= of_athlete >= 0
    entered = in_group[values.athlete]
    digest = hashlib.sha256(f"{_RULES}\n{week.isoformat()}\n".encode())
    digest.update(members.write_csv().encode())
    # Whose and of what each value is: its place in the sorted lists of the names that occur.
    for names, place in ((sessions.athletes, values.athlete), (sessions.series, values.series)):
        occurs = np.bincount(place[entered]) > 0
        where = np.cumsum(occurs) - 1
        digest.update(pl.DataFrame(names[np.flatnonzero(occurs)]).write_csv().encode())
        digest.update(where.astype("<i4")[place[entered]].tobytes())
    digest.update(values.value[entered].astype("<f8").tobytes())
    return digest.hexdigest()[:12]


def describe(sessions: Usable, grouped: GroupedWeek, catalogue: Mapping[str, Metric]) -> pl.DataFrame:
    """Every group's numbers of every series, whatever its size: label, metric, series_id, n_athletes, …

    Columns p05 … p95 are the percentiles, low05 … low95 and high05 … high95 their 90 % intervals; NaN where
    there is none.
    """
    code, offsets = grouped.cells.bounds
    n_series = max(sessions.series.height, 1)
    group, serial = np.divmod(code, n_series)
    groups = grouped.rungs.select("group", "wider", "label").unique().sort("group")
    above = groups["wider"].fill_null(-1).to_numpy()[group]
    parent = np.where(above < 0, -1, np.searchsorted(code, above * n_series + serial))
    named = pl.concat([groups.select("label")[group], sessions.series[serial]], how="horizontal")
    on_log = np.array([catalogue[metric].scale == "log" for metric in sessions.series["metric"]], dtype=bool)
    numbers = _numbers(grouped.cells.ordered, offsets, parent)
    return named.with_columns(**numbers, **_geometric(grouped.cells.ordered, offsets, on_log[serial]))


def _geometric(ordered: Floats, offsets: Ints, on_log: Floats) -> dict[str, pl.Series]:
    """Geometric mean [unit] and SD [%] of groups on the log scale; NaN for others, or where a value is not
    above 0. The SD in per cent is 100 (exp(SD of the logs) - 1)."""
    with np.errstate(divide="ignore", invalid="ignore"):
        mean, sd = group_moments(np.where(ordered > 0, np.log(ordered), np.nan), offsets)
    found = {"geometric_mean": np.exp(mean), "geometric_sd_percent": 100 * np.expm1(sd)}
    return {name: pl.Series(np.where(on_log, column, np.nan)) for name, column in found.items()}


def _numbers(ordered: Floats, offsets: Ints, parent: Ints) -> dict[str, pl.Series]:
    """What `describe` says of groups laid end to end, by column."""
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

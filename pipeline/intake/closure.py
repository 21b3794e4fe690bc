"""Which rows have to do with one another: what must be resolved together when some of them are touched.

Two rows of a family can only be about the same trial, or change what becomes of each other, where their
device and their moment are the same: the time where one is known, else the day. (Whose they are is no part of
it: a name may be said to be somebody else's.) Lines of traces are asked about together, so for them whole
files are taken. All that is stored is looked at through its times as written, which are near each other where
the moments are the same; the moments themselves are worked out for those rows alone.
"""

from __future__ import annotations

from collections.abc import Collection, Iterable, Iterator
from dataclasses import dataclass
from datetime import date, datetime, timedelta

import polars as pl

from pipeline.intake.knowledge import Knowledge
from pipeline.intake.moments import set_times
from pipeline.warehouse.store import Warehouse
from schemas.core import Family
from schemas.frames import DType
from schemas.internal import read_table

TOGETHER = 300_000
"""So many rows are resolved at once, and more only where they can't be parted."""

KEY = ["device", "time_known", "moment"]
KEY_SCHEMA: dict[str, DType] = {"device": pl.String, "time_known": pl.Boolean, "moment": pl.Datetime("us")}
# Clocks of the world lie up to 26 hours apart: equal moments are written at most two dates apart.
_APART = timedelta(days=2)
_MOST_SPANS = 30

_MOMENT = pl.when("time_known").then("utc").otherwise(pl.col("local_date").cast(pl.Datetime("us")))

Span = tuple[datetime, datetime]


@dataclass(frozen=True)
class Part:
    """Rows of a family, as read, that have to do with no others."""

    family: Family
    rows: pl.DataFrame


def listed(numbers: Collection[int]) -> str:
    """Whole numbers as the list of an SQL `IN`."""
    return "(" + (", ".join(str(int(number)) for number in sorted(numbers)) or "NULL") + ")"


def keys_of(
    warehouse: Warehouse, family: Family, where: str, knowledge: Knowledge, **frames: pl.DataFrame
) -> pl.DataFrame:
    """Each line and moment of the stored rows for which an SQL condition on `r` (the row) and `d` (its drop)
    holds: drop_no, line (the first of them), n (rows), the time as written, local_date and `KEY`."""
    found = warehouse.select(
        f"""SELECT r.drop_no, min(r.line) AS line, r.local, r.utc, r.time_known, d.device, d.timezone,
                   count(*) AS n
            FROM {read_table(family).name} r JOIN _drops d USING (drop_no)
            WHERE {where} GROUP BY r.drop_no, r.local, r.utc, r.time_known, d.device, d.timezone""",
        **frames,
    )
    as_written = found.with_columns(written="local", written_utc="utc").with_row_index("index")
    return set_times(as_written, knowledge).select(
        "drop_no", "line", "n", "written", "written_utc", "local_date", "device", "time_known", moment=_MOMENT
    )


def days_of(warehouse: Warehouse, family: Family, where: str) -> dict[date, int]:
    """Day as written -> number of stored rows for which an SQL condition on `r` and `d` holds."""
    found = warehouse.select(
        f"""SELECT CAST(r.local AS DATE) AS day, count(*) AS n
            FROM {read_table(family).name} r JOIN _drops d USING (drop_no) WHERE {where} GROUP BY ALL"""
    )
    return dict(found.sort("day").iter_rows())


def _clock_errors(devices: Collection[str], knowledge: Knowledge) -> set[timedelta]:
    """By how much the clocks of these devices may be set right."""
    known = (knowledge.devices[device] for device in devices if device in knowledge.devices)
    return {timedelta(0)} | {timedelta(seconds=c.offset_seconds) for facts in known for c in facts.clocks}


def near(days: Iterable[date], devices: Collection[str], knowledge: Knowledge) -> list[Span]:
    """The spans of times as written in which rows of the same moment may stand as rows of these days."""
    errors = _clock_errors(devices, knowledge)
    shifts = {one - other for one in errors for other in errors}
    starts = [datetime(day.year, day.month, day.day) for day in days]
    spans = sorted(
        (start + shift - _APART, start + shift + _APART + timedelta(days=1))
        for start in starts
        for shift in shifts
    )
    joined: list[Span] = []
    for low, high in spans:
        if joined and low <= joined[-1][1]:
            joined[-1] = joined[-1][0], max(high, joined[-1][1])
        else:
            joined.append((low, high))
    return joined


def dates_near(rows: pl.DataFrame, devices: Collection[str], knowledge: Knowledge) -> tuple[date, date]:
    """The first and last local date that rows, as read, can have."""
    errors = _clock_errors(devices, knowledge)
    first, last = rows.select(first=pl.col("local").min(), last=pl.col("local").max()).row(0)
    return (first + min(errors) - _APART).date(), (last + max(errors) + _APART).date()


def within(spans: list[Span]) -> str:
    """The SQL condition that a row's time as written lies in one of these spans; of many, in all of them."""
    if len(spans) > _MOST_SPANS:
        spans = [(spans[0][0], spans[-1][1])]
    ranges = [f"r.local >= TIMESTAMP '{low}' AND r.local < TIMESTAMP '{high}'" for low, high in spans]
    return "(" + (" OR ".join(f"({one})" for one in ranges) or "false") + ")"


def parts_of(
    warehouse: Warehouse,
    family: Family,
    whole: Collection[int],
    keys: pl.DataFrame,
    knowledge: Knowledge,
) -> tuple[int, Iterator[Part]]:
    """How many stored rows are looked at, and the rows that have to do with rows of the drops `whole` or have
    one of `keys`, in parts of about `TOGETHER` rows."""
    of_whole = f"r.drop_no IN {listed(whole)}"
    seeds = days_of(warehouse, family, of_whole) if whole else {}
    days = {*seeds, *keys["moment"].dt.date()}
    if not days:
        return 0, iter(())
    devices = _devices(warehouse, whole) | set(keys["device"])
    quoted = ", ".join("'" + device.replace("'", "''") + "'" for device in sorted(devices))
    of_devices = f"d.family = '{family.name}' AND d.device IN ({quoted})"
    looked_at = f"{of_devices} AND {within(near(days, devices, knowledge))}"
    counts = days_of(warehouse, family, looked_at)
    # Whether nothing that is stored beside them is near.
    apart = counts == seeds
    if apart and sum(counts.values()) <= TOGETHER:
        table = read_table(family).name
        rows = warehouse.rows(table, f"drop_no IN {listed(whole)}")
        return rows.height, iter([Part(family, rows)])
    cuts = _cuts(counts)

    def parts() -> Iterator[Part]:
        for low, high in zip([None, *cuts], [*cuts, None], strict=True):
            here = _between(low, high, devices, knowledge)
            if apart:
                part = _part_of(warehouse, family, whole, here, (low, high), knowledge)
            else:
                part = _part(
                    warehouse, family, f"{looked_at} AND {here}", (low, high), set(whole), keys, knowledge
                )
            if part.rows.height:
                yield part

    return sum(counts.values()), parts()


def _devices(warehouse: Warehouse, drops: Collection[int]) -> set[str]:
    found = warehouse.select(f"SELECT DISTINCT device FROM _drops WHERE drop_no IN {listed(drops)}")
    return set(found["device"].drop_nulls())


def _cuts(counts: dict[date, int]) -> list[datetime]:
    """Midnights that part the days into spans of about `TOGETHER` rows."""
    cuts: list[datetime] = []
    size = 0
    for day, count in counts.items():
        if size and size + count > TOGETHER:
            cuts.append(datetime(day.year, day.month, day.day))
            size = 0
        size += count
    return cuts


def _between(
    low: datetime | None, high: datetime | None, devices: Collection[str], knowledge: Knowledge
) -> str:
    """The SQL condition that a time as written, `local`, may be a moment from `low` until before `high`."""
    errors = _clock_errors(devices, knowledge)
    bounds = ["true"]
    if low is not None:
        bounds.append(f"local >= TIMESTAMP '{low - max(errors) - _APART}'")
    if high is not None:
        bounds.append(f"local < TIMESTAMP '{high - min(errors) + _APART}'")
    return " AND ".join(bounds)


def _part_of(
    warehouse: Warehouse,
    family: Family,
    whole: Collection[int],
    where: str,
    span: tuple[datetime | None, datetime | None],
    knowledge: Knowledge,
) -> Part:
    """The rows of the drops `whole` of moments in the span, where no others are near: what `_part` comes to
    there, for every row has to do with itself. `where`: an SQL condition that holds for all of them."""
    rows = warehouse.rows(read_table(family).name, f"drop_no IN {listed(whole)} AND {where}")
    drops = warehouse.select(f"SELECT drop_no, device, timezone FROM _drops WHERE drop_no IN {listed(whole)}")
    written = rows.select("drop_no", "local", "utc", "time_known").with_row_index("index")
    timed = set_times(written.join(drops, on="drop_no", maintain_order="left"), knowledge)
    return Part(family, rows.filter(timed.select(moment=_MOMENT).select(_in(span)).to_series()))


def _in(span: tuple[datetime | None, datetime | None]) -> pl.Expr:
    """Whether a moment lies in a span, open where it has no bound."""
    low, high = span
    moment, inside = pl.col("moment"), pl.col("moment").is_not_null()
    if low is not None:
        inside &= moment >= low
    return inside if high is None else inside & (moment < high)


def _part(
    warehouse: Warehouse,
    family: Family,
    where: str,
    span: tuple[datetime | None, datetime | None],
    whole: set[int],
    keys: pl.DataFrame,
    knowledge: Knowledge,
) -> Part:
    """The rows of moments in the span that have to do with `whole` or `keys`."""
    found = keys_of(warehouse, family, where, knowledge)
    found = found.filter(_in(span))
    seeds = pl.concat([found.filter(pl.col("drop_no").is_in(sorted(whole))).select(KEY), keys.select(KEY)])
    met = found.join(seeds.unique(), on=KEY, how="semi")
    table = read_table(family).name
    if met.is_empty():
        return Part(family, warehouse.rows(table, "false"))
    first, last = met.select(first=pl.col("written").min(), last=pl.col("written").max()).row(0)
    times = f"local BETWEEN TIMESTAMP '{first}' AND TIMESTAMP '{last}'"
    drops = set(met["drop_no"].unique())
    rows = warehouse.rows(table, f"drop_no IN {listed(drops)} AND {times}")
    if rows.height != met["n"].sum():
        at = met.select("drop_no", "time_known", local="written", utc="written_utc")
        rows = rows.join(at, on=at.columns, how="semi", nulls_equal=True)
    return Part(family, rows)


def files_of_traces(
    warehouse: Warehouse,
    family: Family,
    whole: Collection[int],
    keys: pl.DataFrame,
    knowledge: Knowledge,
) -> list[tuple[set[int], int]]:
    """The drops of a family of traces that have to do with the drops `whole` or with `keys`: groups of drops
    that have to do with no others, of about `TOGETHER` rows, and how many rows each has."""
    heads = keys_of(warehouse, family, f"r.drop_no IN {listed(whole)}", knowledge)
    known: set[int] = set()
    while True:
        sought = pl.concat([heads.select(KEY), keys.select(KEY)]).unique()
        if sought.is_empty():
            return []
        devices = set(sought["device"])
        quoted = ", ".join("'" + device.replace("'", "''") + "'" for device in sorted(devices))
        spans = near(set(sought["moment"].dt.date()), devices, knowledge)
        found = keys_of(
            warehouse,
            family,
            f"d.family = '{family.name}' AND d.device IN ({quoted}) AND {within(spans)}",
            knowledge,
        )
        drops = set(found.join(sought, on=KEY, how="semi")["drop_no"]) | set(heads["drop_no"])
        if drops == known:
            return _groups(heads)
        known = drops
        heads = keys_of(warehouse, family, f"r.drop_no IN {listed(drops)}", knowledge)


def _groups(heads: pl.DataFrame) -> list[tuple[set[int], int]]:
    """Drops joined where they share a key, and gathered to groups of about `TOGETHER` rows."""
    parent: dict[object, object] = {}

    def root(of: object) -> object:
        while parent.setdefault(of, of) != of:
            parent[of] = of = parent[parent[of]]
        return of

    for drop_no, *key in heads.select("drop_no", *KEY).iter_rows():
        parent[root(drop_no)] = root(tuple(key))
    joined: dict[object, tuple[set[int], int]] = {}
    for drop_no, n in heads.group_by("drop_no").agg(pl.col("n").sum()).sort("drop_no").iter_rows():
        drops, size = joined.get(root(drop_no), (set(), 0))
        joined[root(drop_no)] = (drops | {drop_no}, size + n)
    groups: list[tuple[set[int], int]] = []
    for drops, size in joined.values():
        if groups and groups[-1][1] + size <= TOGETHER:
            groups[-1] = groups[-1][0] | drops, groups[-1][1] + size
        else:
            groups.append((drops, size))
    return groups

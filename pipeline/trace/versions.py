"""All versions of trial rows: what each said, from which lines, since when, and why there is a newer one."""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import date, datetime
from typing import Any

import polars as pl

from pipeline.intake.earlier import earlier_rows
from schemas.core import Family
from schemas.tables import TRIAL_HEAD, TRIAL_TAIL

CAUSES = {
    "export": "a later export gave other values",
    "finer_value": "a later export gave the same value with more digits",
    "correction": "corrected",
    "strike": "struck, or its file withdrawn",
}
_NOT_TOLD = frozenset({*TRIAL_HEAD, *TRIAL_TAIL, "sample_set_id"})


@dataclass
class Version:
    """One version of a trial row. `first_line` to `last_line`: where it was read; a trace has many lines.

    `values`: what it says in SI units, empty fields left out. `ended`: why it is no longer the current one.
    """

    number: int
    current: bool
    athlete_id: str
    session_id: str
    local_date: date
    values: dict[str, Any]
    flags: str | None
    mark: str
    file_id: str
    first_line: int
    last_line: int
    n_lines: int
    known_from: datetime | None
    known_until: datetime | None
    ended: str | None
    originals: dict[int, str] = field(default_factory=dict)


def versions_of(
    family: Family,
    tables: Mapping[str, pl.DataFrame],
    row_ids: Collection[str],
    corrections: Mapping[str, Sequence[str]],
) -> dict[str, list[Version]]:
    """row_id -> its versions, the oldest first.

    `tables`: the family's trial table and sample set, superseded_rows, `_drops`. `corrections`: row_id -> the
    words for each correction that met it, in order.
    """
    wanted = pl.col("row_id").is_in(list(row_ids))
    superseded = tables["superseded_rows"].filter(wanted).sort("row_id", "version")
    old = earlier_rows(superseded, family.table)
    now = tables[family.table].filter(wanted)
    lines = _lines(family, tables, pl.concat([old.select(now.columns), now]))
    found: dict[str, list[Version]] = {}
    for row in old.iter_rows(named=True):
        found.setdefault(row["row_id"], []).append(_version(row, lines, current=False))
    written = dict(
        tables["_drops"].sort("drop_no", descending=True).select(
            pl.col("file_id").str.slice(0, 16), "written_at"
        ).iter_rows()
    )  # fmt: skip
    for row in now.iter_rows(named=True):
        before = found.setdefault(row["row_id"], [])
        since = before[-1].known_until if before and before[-1].known_until else written.get(row["file_id"])
        before.append(_version(row | {"known_from": since}, lines, current=True))
    for row_id, versions in found.items():
        _tell_corrections(versions, corrections.get(row_id, ()))
    return found


def _version(row: dict[str, Any], lines: Mapping[str, tuple[int, int, int]], *, current: bool) -> Version:
    first, last, count = lines.get(row.get("sample_set_id") or "", (row["line"], row["line"], 1))
    return Version(
        number=row["version"],
        current=current,
        athlete_id=row["athlete_id"],
        session_id=row["session_id"],
        local_date=row["local_date"],
        values={
            name: value
            for name, value in row.items()
            if name not in _NOT_TOLD and value is not None and name not in _ABOUT
        },
        flags=row["flags"],
        mark=row["mark"],
        file_id=row["file_id"],
        first_line=first,
        last_line=last,
        n_lines=count,
        known_from=row.get("known_from"),
        known_until=row.get("known_until"),
        ended=None if current else row["cause"],
    )


_ABOUT = frozenset({"cause", "superseded_by", "known_from", "known_until"})


def _lines(
    family: Family, tables: Mapping[str, pl.DataFrame], rows: pl.DataFrame
) -> dict[str, tuple[int, int, int]]:
    """sample_set_id -> first line, last line, number of lines, for traces."""
    if family.trace is None:
        return {}
    samples = tables[family.trace.table].join(
        rows.select("sample_set_id").unique(), on="sample_set_id", how="semi"
    )
    counted = samples.group_by("sample_set_id").agg(
        first=pl.col("line").min(), last=pl.col("line").max(), n=pl.len()
    )
    return {row[0]: row[1:] for row in counted.iter_rows()}


def _tell_corrections(versions: list[Version], words: Sequence[str]) -> None:
    """Put in words why each version ended; corrections in the order in which they were made."""
    told = iter(words)
    for version in versions:
        if version.ended in ("correction", "strike"):
            version.ended = next(told, CAUSES[version.ended])
        elif version.ended is not None:
            version.ended = CAUSES[version.ended]

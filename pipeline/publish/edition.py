"""The week's edition: the norms of a closed week as they were known when it closed, never written again."""

from __future__ import annotations

from datetime import date, timedelta
from pathlib import Path

import polars as pl

from pipeline.publish.coach import publish_norms
from pipeline.publish.files import put
from schemas.catalogue import Metric

_KEY = ("sex", "ages", "group", "metric", "test", "how")
_NUMBERS = ("numbers_of", "n_athletes", "mean", "sd", "p50")


def closed_week(day: date) -> date:
    """The Monday of the last ISO week that ended before a day."""
    return day - timedelta(days=day.weekday() + 7)


def edition_of(folder: Path, week: date) -> list[Path]:
    """The files of a week's edition, where it is written; its CSV is written last."""
    written = sorted(folder.glob(f"{_stem(week, '*')}.csv"))
    return [other for path in written for other in (path.with_suffix(".xlsx"), path)]


def publish_edition(
    folder: Path,
    week: date,
    frames: dict[str, pl.DataFrame],
    births: pl.DataFrame,
    units: str,
    facility_name: str,
    catalogue: dict[str, Metric],
    labels: dict[str, str],
) -> list[Path]:
    """Write the edition of a week, named by its Monday and norms_version (with - for /); returns its files.

    `frames` are as of the week's Sunday, otherwise as for `publish_norms`. Nothing is written where the week
    has no norms. Its files are read-only: what becomes known later is in the tables, not in them. Where
    there is an edition before, `changes_….csv` says what is told otherwise than there.
    """
    norms = frames["norms"]
    if norms.is_empty() or norms["week"][0] != week:
        return []
    stem = _stem(week, norms["norms_version"][0])
    files = publish_norms(folder, frames, births, units, facility_name, catalogue, labels, stem)
    if (before := _last_before(folder, week)) is not None:
        changes = edition_changes(_read(before), _read(files[-1]))
        name = f"changes_{stem.removeprefix('norms_')}.csv"
        # The edition's own table stays the last: by it an edition is known to be whole.
        files.insert(0, put(folder / name, lambda path: changes.write_csv(path, include_bom=True)))
    for path in files:
        path.chmod(0o444)
    return files


def edition_changes(before: pl.DataFrame, now: pl.DataFrame) -> pl.DataFrame:
    """What an edition tells otherwise than the one before, both as they were written: a row a group and test
    that either has.

    `state`: the numbers are the same, renewed, new, or gone (not told any more, or left out). What is known
    now of the earlier week is not looked at: that a late file or a correction would have made it another one
    is part of the change.
    """
    text = (*_KEY, "unit")
    told = [frame.select(*text, "week", "norms_version", *_NUMBERS) for frame in (before, now)]
    both = told[0].join(told[1], on=text, how="full", suffix="_now", coalesce=True, nulls_equal=True)
    same = pl.all_horizontal(pl.col(name).eq_missing(pl.col(f"{name}_now")) for name in _NUMBERS)
    state = pl.when(same).then(pl.lit("same")).otherwise(pl.lit("renewed"))
    state = pl.when(pl.col("mean").is_null()).then(pl.lit("new")).otherwise(state)
    state = pl.when(pl.col("mean_now").is_null()).then(pl.lit("gone")).otherwise(state)
    rows = both.filter(pl.col("mean").is_not_null() | pl.col("mean_now").is_not_null())
    edition = ("week", "norms_version")
    sides = [
        pl.col(f"{name}{end}").alias(f"{name}{new}")
        for name in (*edition, *_NUMBERS)
        for end, new in (("", "_before"), ("_now", "_now"))
    ]
    return rows.select(*text, *sides, state=state).sort(_KEY)


def _last_before(folder: Path, week: date) -> Path | None:
    """The table of the last edition of an earlier week."""
    earlier = [path for path in folder.glob("norms_*.csv") if path.name < f"norms_{week.isoformat()}"]
    return max(earlier, key=lambda path: path.name, default=None)


def _read(path: Path) -> pl.DataFrame:
    """An edition's table as it is written: text."""
    return pl.read_csv(path, infer_schema=False)


def _stem(week: date, version: str) -> str:
    return f"norms_{week.isoformat()}_{version.replace('/', '-')}"

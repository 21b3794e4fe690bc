"""The week's edition: the norms of a closed week as they were known when it closed, never written again."""

from __future__ import annotations

from datetime import date, timedelta
from pathlib import Path

import polars as pl

from pipeline.publish.coach import publish_norms
from schemas.catalogue import Metric


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
    has no norms. Its files are read-only: what becomes known later is in the tables, not in them.
    """
    norms = frames["norms"]
    if norms.is_empty() or norms["week"][0] != week:
        return []
    stem = _stem(week, norms["norms_version"][0])
    files = publish_norms(folder, frames, births, units, facility_name, catalogue, labels, stem)
    for path in files:
        path.chmod(0o444)
    return files


def _stem(week: date, version: str) -> str:
    return f"norms_{week.isoformat()}_{version.replace('/', '-')}"

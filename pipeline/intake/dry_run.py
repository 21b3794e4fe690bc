"""How a file would be stored, without storing anything: the first rows, unmapped columns, what would wait."""

from __future__ import annotations

from dataclasses import dataclass, field
from pathlib import Path, PurePosixPath
from typing import Any

import polars as pl

from pipeline.facility.folder import Facility
from pipeline.intake import archive
from pipeline.intake.drops import Opened, as_batch, open_file, read_opened
from pipeline.intake.intake import knowledge_of
from pipeline.intake.renew import READ_TABLES
from pipeline.intake.resolve import resolve
from schemas.core import Family
from schemas.families import FAMILIES

ROWS_SHOWN = 20


@dataclass
class DryRun:
    """What a dry run found. `rows`: the first rows as they would be stored. `held`: line, code, reason."""

    path: str
    layout: str | None
    counts: dict[str, Any]
    rows: pl.DataFrame = field(default_factory=pl.DataFrame)
    unmapped: list[str] = field(default_factory=list)
    held: pl.DataFrame = field(default_factory=pl.DataFrame)

    def as_dict(self) -> dict[str, Any]:
        """For --json."""
        return {
            "file": self.path,
            "layout": self.layout,
            **self.counts,
            "unmapped": self.unmapped,
            "rows": self.rows.to_dicts(),
            "held": self.held.to_dicts(),
        }


def dry_run(facility: Facility, file: Path) -> DryRun:
    """Read and resolve one file by itself, as if it were the first that was ever dropped.

    A file below the inbox is recognised by its folder; any other as if it lay in the folder of the layout
    that reads it.
    """
    data = file.read_bytes()
    knowledge = knowledge_of(facility)
    tried = [(place, open_file(data, place, facility, knowledge)) for place in _places(facility, file)]
    place, outcome = next((pair for pair in tried if pair[1].state == "read"), tried[0])
    now = archive.utc_now()
    drop = archive.Drop(1, "dry-run", "0" * 64, place, now, len(data), now)
    read = read_opened([Opened(drop, outcome.state, outcome)], facility.tests)[0]
    batch = as_batch([read], facility.settings.timezone)
    reads = {name: batch.tables[name] for name in READ_TABLES}
    resolved = resolve(
        batch.tables["_drops"], reads, batch.tables["_problems"], batch.tables["_skipped"], knowledge
    )
    counts = (
        resolved.tables["files"]
        .select("status", "lines", "loaded", "held", "repeated", "superseding", "skipped")
        .row(0, named=True)
    )
    held = resolved.held.select("line", "code", "field", "seen", "reason").sort("line", "code")
    result = DryRun(place, None, counts, held=held)
    if read.reading is not None:
        family = FAMILIES[read.reading.layout.family]
        result.layout = read.reading.layout.layout
        result.rows = _in_order(resolved.tables[family.table], family).head(ROWS_SHOWN)
        result.unmapped = read.reading.unmapped
    return result


def _in_order(rows: pl.DataFrame, family: Family) -> pl.DataFrame:
    """By line, and those of a line as people would write them: gates by distance, readings by number."""
    return rows.sort("line", *(name for name in family.natural_key if name in rows.columns), "row_id")


def _places(facility: Facility, file: Path) -> list[str]:
    """Where the file lies, or might lie, below the inbox; the likeliest first."""
    file = file.resolve()
    if file.is_relative_to(facility.inbox.resolve()):
        return [file.relative_to(facility.inbox.resolve()).as_posix()]
    folders = {layout.match.folder for layout in facility.layouts.values() if layout.match.folder}
    likeliest = sorted(folders, key=lambda folder: (PurePosixPath(folder).name != file.parent.name, folder))
    return [*(f"{folder}/{file.name}" for folder in likeliest), file.name]

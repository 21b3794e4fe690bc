"""Files that a layout read once and, since somebody changed it, reads no more: never without a word."""

from __future__ import annotations

import json
from collections.abc import Collection

import polars as pl

from pipeline.facility.folder import Facility
from pipeline.intake import archive
from pipeline.intake.drops import open_file
from pipeline.intake.knowledge import Knowledge
from pipeline.intake.renew import Renewed
from pipeline.warehouse.store import Warehouse

_META = "unread"
_START = 1_000_000
"""So many bytes of a file tell whether a layout claims it."""

Unread = list[tuple[str, str]]
"""(path, layout) of files."""


def note_unread(warehouse: Warehouse, renewed: Renewed) -> Unread:
    """The files that were read before this renewal and are not now; all of them are remembered until they
    are read again. Inside the caller's transaction."""
    read = pl.col("layout").is_not_null()
    paths = renewed.drops.select("drop_id", "drop_no", "path")
    lost = renewed.before.filter(read).join(renewed.files.filter(~read), on="drop_id", how="semi")
    found = lost.select("drop_id", "layout").join(paths, on="drop_id").sort("drop_no")
    now = set(renewed.files.filter(read)["drop_id"])
    known: dict[str, tuple[str, str]] = json.loads(warehouse.meta(_META) or "{}")
    told = {drop_id: said for drop_id, said in known.items() if drop_id not in now}
    told |= {drop_id: (path, layout) for drop_id, layout, _, path in found.iter_rows()}
    if told != known:
        warehouse.set_meta(_META, json.dumps(told))
    return [(path, layout) for _, layout, _, path in found.iter_rows()]


def files_unread(warehouse: Warehouse) -> Unread:
    """All files that are remembered so."""
    return [(path, layout) for path, layout in json.loads(warehouse.meta(_META) or "{}").values()]


def no_longer_read(
    facility: Facility, knowledge: Knowledge, warehouse: Warehouse, layouts: Collection[str]
) -> Unread:
    """Files read by these layouts, as they were, that nothing reads as the layouts are now."""
    names = pl.DataFrame({"name": sorted(layouts)}, {"name": pl.String})
    read = warehouse.select(
        "SELECT file_id, path, layout FROM _drops WHERE state = 'read' AND layout IN (FROM _names) "
        "ORDER BY drop_no",
        _names=names,
    )
    lost = []
    for file_id, path, layout in read.iter_rows():
        start = archive.start_of(facility.archive, file_id, _START)
        if open_file(start, path, facility, knowledge, file_id).state != "read":
            lost.append((path, layout))
    return lost

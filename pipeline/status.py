"""How a facility stands: what ran last, what waits, what is asked, what comes next."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import UTC, datetime

import polars as pl

from pipeline.facility.folder import Facility
from pipeline.flows.schedule import next_runs
from pipeline.intake.settle import Waiting, scan
from pipeline.intake.unread import Unread, files_unread
from pipeline.intake.waiting import held_with_context, open_codes
from pipeline.lock import Busy, facility_lock, is_watched
from pipeline.run_log import read_runs
from pipeline.warehouse.store import open_warehouse

_RUNS_SHOWN = 10
# Somebody who asks how things stand is not kept waiting for a long run.
_PATIENCE_SECONDS = 3.0


@dataclass(frozen=True)
class Status:
    """How a facility stands. `runs`: newest first; `open`: questions by code, None where another run holds
    the facility; `unread`: see `intake.unread`; `empty`: paths of files without
    a value; `editions`: the weekly editions there are, newest first."""

    watched: bool
    runs: pl.DataFrame
    inbox: list[Waiting]
    open: dict[str, int] | None
    unread: Unread
    empty: list[str]
    next_runs: dict[str, datetime]
    editions: list[str]


def status_of(facility: Facility) -> Status:
    """How a facility stands now; nothing is changed."""
    settings = facility.settings
    asked, unread, empty = _questions(facility)
    return Status(
        is_watched(facility.state),
        _last_runs(facility),
        _in_the_inbox(facility),
        asked,
        unread,
        empty,
        next_runs(settings.schedule, settings.timezone, datetime.now(UTC)),
        sorted((path.name for path in (facility.published / "coach").glob("norms_*.xlsx")), reverse=True),
    )


def _last_runs(facility: Facility) -> pl.DataFrame:
    """A row a run: started_at (UTC), started_by, seconds, steps, outcome."""
    runs = read_runs(facility.state).group_by("run_id", maintain_order=True)
    failed = pl.col("outcome").filter(pl.col("outcome") != "done").last()
    return (
        runs.agg(
            pl.col("started_at", "started_by").first(),
            seconds=pl.col("seconds").sum(),
            steps=pl.col("step").str.join(", "),
            outcome=failed.fill_null("done"),
        )
        .sort("started_at", descending=True)
        .head(_RUNS_SHOWN)
    )


def _in_the_inbox(facility: Facility) -> list[Waiting]:
    files, waiting = scan(facility.inbox)
    return [*waiting, *(Waiting(path, "it waits to be taken in") for path in sorted(files))]


def _questions(facility: Facility) -> tuple[dict[str, int] | None, Unread, list[str]]:
    if not facility.warehouse_file.exists():
        return {}, [], []
    try:
        with (
            facility_lock(facility.state, "yardmark status", lambda text: None, _PATIENCE_SECONDS),
            open_warehouse(facility.warehouse_file) as warehouse,
        ):
            empty = warehouse.select(
                """SELECT d.path FROM files JOIN _drops d USING (drop_id) WHERE files.status = 'loaded'
                   AND files.loaded + files.held + files.repeated + files.superseding = 0
                   ORDER BY d.drop_no"""
            )
            return open_codes(held_with_context(warehouse)), files_unread(warehouse), empty["path"].to_list()
    except Busy:
        return None, [], []

"""What a run holds in memory from step to step."""

from __future__ import annotations

from datetime import date, datetime
from pathlib import Path

import polars as pl

from pipeline.facility.folder import load_facility
from pipeline.facility.init import init_facility
from pipeline.run import Run
from schemas.frames import polars_schema
from schemas.tables import TABLES

_LARGE, _SMALL = 30_000, 10


def _run(folder: Path) -> Run:
    init_facility(folder)
    return Run(load_facility(folder), lambda text: None, date(2026, 3, 20))


def _sessions(count: int) -> pl.DataFrame:
    at = datetime(2026, 3, 2, 9)
    rows = {"session_id": [f"{n:08d}" for n in range(count)], "athlete_id": "a", "started_at_utc": at}
    rows |= {"local_date": at.date(), "session_date": at.date()}
    schema = polars_schema(TABLES["sessions"])
    return pl.DataFrame(rows).select(
        pl.col(name).cast(dtype) if name in rows else pl.lit(None, dtype).alias(name)
        for name, dtype in schema.items()
    )


def test_a_large_table_is_read_again_by_the_next_step_and_a_small_one_is_held(tmp_path: Path) -> None:
    run = _run(tmp_path / "hall")
    with run.opened():
        for count in (_LARGE, _SMALL):
            made = _sessions(count)
            with run.warehouse.transaction():
                run.keep({"sessions": made})
            assert run.read("sessions") is made
            run.let_go({"sessions"})
            assert run.read("sessions") is made
            run.let_go()
            read = run.read("sessions")
            assert read.equals(made)
            assert (read is made) == (count == _SMALL)
            assert (run.read_once("sessions") is run.read_once("sessions")) == (count == _SMALL)


def test_what_steps_make_of_the_same_tables_is_made_once_until_one_of_them_changes(tmp_path: Path) -> None:
    run, made = _run(tmp_path / "hall"), []

    def make() -> pl.DataFrame:
        made.append(run.read("sessions").height)
        return pl.DataFrame()

    with run.opened():
        for count in (1, 2):
            with run.warehouse.transaction():
                run.keep({"sessions": _sessions(count)})
            run.once(("sessions", "events"), make)
            run.once(("sessions", "events"), make)
        assert made == [1, 2]
        run.let_go({"sessions"})
        run.once(("sessions", "events"), make)
        assert made == [1, 2, 2]

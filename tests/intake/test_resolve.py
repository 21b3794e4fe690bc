"""The resolver: a pure function of what was read and what was answered."""

from __future__ import annotations

import os
from datetime import datetime
from pathlib import Path

import polars as pl

from pipeline.intake.archive import Drop
from pipeline.intake.drops import Opened, as_batch, open_file, read_opened
from pipeline.intake.intake import knowledge_of
from pipeline.intake.renew import READ_TABLES
from pipeline.intake.resolve import resolve
from schemas.models import table_model
from tests.intake.facility_maker import (
    JUMPS_HEADER,
    WEIGHTS_HEADER,
    WIDE_HEADER,
    Bench,
    Hall,
    as_bytes,
    file_id,
    plain_facility,
    run,
    runs,
)

FILES = [
    ("gates-1/a.csv", runs(run(), run(trial=2), run("Nobody", trial=3), run(trial=4, split="x"))),
    ("gates-1/b.csv", runs(run(split="1.9"), run(trial=2, split="5"), run("Nobody", trial=3), "\n")),
    ("gates-2/c.csv", WIDE_HEADER + "João Sá,01.03.2025 10:00,1.0,1.9,\nJoão Sá,01.03.2025 10:00,1.1,,3.0\n"),
    ("mat-1/d.csv", JUMPS_HEADER + "Mia Lund,2025-03-01 10:00:00,500\nMia Lund,2025-03-01 10:00:00,500\n"),
    ("scales-1/e.csv", WEIGHTS_HEADER + "Mia Lund;2025-03-01;weight;60;kg\n"),
    ("lost/f.csv", "a,b\n"),
]


def test_all_tables_are_as_declared() -> None:
    told = Bench().resolve(*FILES)
    for name, frame in told.resolved.tables.items():
        if not name.startswith("_"):
            table_model(name).validate(frame, lazy=True)
    assert told.rows()["split_time_s"].len() == 6


def test_the_order_of_what_was_read_does_not_matter() -> None:
    facility = plain_facility()
    knowledge = knowledge_of(facility)
    at = Bench().received_at
    opened = []
    for number, (place, data) in enumerate(FILES, start=1):
        outcome = open_file(as_bytes(data), place, facility, knowledge)
        drop = Drop(number, f"d{number}", file_id(data) * 4, place, at, len(data), at)
        opened.append(Opened(drop, outcome.state, outcome))
    read = read_opened(opened, facility.tests)
    made = []
    for order in (read, read[::-1]):
        tables = as_batch(order, facility.settings.timezone).tables
        reads = {name: tables[name].reverse() for name in READ_TABLES}
        problems, skipped = tables["_problems"].reverse(), tables["_skipped"].reverse()
        made.append(resolve(tables["_drops"], reads, problems, skipped, knowledge).tables)
    for name, frame in made[0].items():
        assert frame.equals(made[1][name]), name


def test_every_trial_row_knows_its_line_session_and_trial() -> None:
    told = Bench().resolve(*FILES)
    splits = told.rows()
    assert splits["row_id"].n_unique() == splits.height
    runs_of = (
        splits.filter(pl.col("device") == "gates-2").group_by("trial_id").agg(pl.col("distance_m").sort())
    )
    assert sorted(runs_of["distance_m"].to_list()) == [[5.0, 10.0], [5.0, 20.0]]
    slots = told.resolved.tables["_session_slots"]
    for table in ("sprint_splits", "jump_trials", "body_readings"):
        assert told.rows(table).join(slots, on="session_id", how="anti").is_empty()


def test_reading_at_once_and_one_by_one_come_to_the_same(tmp_path: Path) -> None:
    at_once, step_by_step = Hall(tmp_path / "a"), Hall(tmp_path / "b")
    # The same files, with the same times; what is published tells nothing of the runs that took them in.
    at = 1_740_000_000
    for hall, parts in ((at_once, [FILES]), (step_by_step, [FILES[:1], FILES[1:3], FILES[3:]])):
        for files in parts:
            for place, data in files:
                hall.drop(place, data)
                os.utime(hall.inbox / place, (at, at))
            hall.take_in()
    assert at_once.table("superseded_rows")["known_from"].to_list()[0] == datetime(2025, 2, 19, 21, 20)
    for name, frame in at_once.tables().items():
        other = step_by_step.tables()[name]
        changing = [c for c in ("received_at",) if c in frame.columns]
        keys = [c for c in frame.columns if c not in changing]
        assert frame.drop(changing).sort(keys).equals(other.drop(changing).sort(keys)), name


def test_the_status_of_a_file_follows_from_its_lines() -> None:
    told = Bench().resolve(*FILES, ("gates-1/g.csv", runs(run(battery=1))), ("gates-1/h.csv", runs()))
    status = told.resolved.tables["files"].sort("received_at")["status"].to_list()
    assert status == [
        "partly_held",
        "partly_held",
        "loaded",
        "loaded",
        "loaded",
        "held",
        "repeated",
        "loaded",
    ]
    paths = told.resolved.tables["files"].sort("received_at")["path"].to_list()
    # The name of a file may be somebody's: the table shows its folder and hash.
    assert paths[0] == f"gates-1/{file_id(FILES[0][1])}"

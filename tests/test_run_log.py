"""The log of runs: whatever happens to it, what is whole is read."""

from __future__ import annotations

from datetime import date, datetime
from pathlib import Path

from pipeline import run_log
from pipeline.run_log import FILE, RunStep, read_runs, record
from schemas.frames import polars_schema
from schemas.tables import TABLES


def step(number: int, outcome: str = "done", as_of: date | None = date(2026, 1, 30)) -> RunStep:
    started = datetime(2026, 2, 1, 10, 0, number % 60, 5)
    day = date(2026, 2, 1)
    return RunStep(f"{number:016x}", "norms", "run", as_of, day, started, 0.5, 7, outcome, "0.1", "in", None)


def test_what_is_recorded_is_read_with_its_types(tmp_path: Path):
    assert read_runs(tmp_path).is_empty()
    record(tmp_path, step(1))
    record(tmp_path, step(2, 'failed: "no, space"\nleft', None))
    runs = read_runs(tmp_path)
    assert dict(runs.schema) == polars_schema(TABLES["runs"])
    assert runs["run_id"].to_list() == [f"{n:016x}" for n in (1, 2)]
    assert runs["outcome"].to_list() == ["done", 'failed: "no, space" left']
    assert runs["as_of"].to_list() == [date(2026, 1, 30), None]
    assert runs["started_at"][0] == datetime(2026, 2, 1, 10, 0, 1, 5)
    assert runs["outputs_hash"].to_list() == [None, None]


def test_a_torn_last_line_is_ignored(tmp_path: Path):
    record(tmp_path, step(1))
    with (tmp_path / FILE).open("a", encoding="utf-8") as stream:
        stream.write("0000,norms,ru")
    assert read_runs(tmp_path).height == 1
    with (tmp_path / FILE).open("a", encoding="utf-8") as stream:
        stream.write("\n")
    assert read_runs(tmp_path).height == 1


def test_a_line_after_a_torn_one_is_not_lost(tmp_path: Path):
    record(tmp_path, step(1))
    with (tmp_path / FILE).open("a", encoding="utf-8") as stream:
        stream.write("0000,norms,ru")
    record(tmp_path, step(2))
    assert read_runs(tmp_path)["run_id"].to_list() == [f"{n:016x}" for n in (1, 2)]


def test_a_long_log_keeps_the_newest(tmp_path: Path, monkeypatch):
    monkeypatch.setattr(run_log, "KEPT", 5)
    monkeypatch.setattr(run_log, "_MOST_BYTES", 1_000)
    for number in range(40):
        record(tmp_path, step(number))
    runs = read_runs(tmp_path)
    assert runs["run_id"].to_list()[-1] == f"{39:016x}" and runs.height < 20
    assert len(set(runs["run_id"])) == runs.height

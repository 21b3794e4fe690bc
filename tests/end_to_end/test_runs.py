"""A run does what has to be done, once, and writes down what it did."""

from __future__ import annotations

from datetime import date
from pathlib import Path

import duckdb
import pytest

from pipeline import run as running
from pipeline.facility.folder import load_facility
from pipeline.run import Run, run_steps
from pipeline.run_log import read_runs
from pipeline.steps import STEPS, plain_steps, refresh_steps
from schemas.tables import TABLES
from tests.end_to_end.runs import copy_of, done, here, process, tables_of

VALID_ON = ("--valid-on", "2026-01-31")  # the demo's day: nothing is to be done on it


def steps_of(facility: Path) -> list[str]:
    """The steps of the last run."""
    runs = read_runs(facility)
    return runs.filter(runs["run_id"] == runs["run_id"][-1])["step"].to_list()


def test_every_table_is_written_by_one_step_and_read_after_it():
    written: dict[str, str] = {}
    for step in STEPS:
        for name in step.writes:
            assert name not in written, name
            written[name] = step.name
        assert set(step.reads) <= written.keys() | {"runs"}, step.name
    assert set(written) | {"runs"} >= {name for name, table in TABLES.items() if table.published}


def test_an_extra_run_changes_nothing(demo_copy: Path):
    before = tables_of(demo_copy, (".parquet", ".csv", ".json", ".xlsx", ".duckdb"))
    ended = done("run", demo_copy, *VALID_ON, "--json")
    assert ended.report["steps"] == steps_of(demo_copy) == ["take_in", "today"]
    assert ended.report["rows"]["results"] > 1_000 and len(ended.report["files"]) > 30
    assert tables_of(demo_copy, (".parquet", ".csv", ".json", ".xlsx", ".duckdb")) == before


def test_a_new_day_moves_people_and_nothing_else(demo_copy: Path):
    assert done("refresh", demo_copy, "--valid-on", "2026-02-03", "--json").report["steps"] == [
        "people",
        "publish",
    ]


def test_what_somebody_removed_or_edited_is_published_again(demo_copy: Path):
    tables = demo_copy / "published" / "tables"
    whole = (tables / "norms.csv").read_bytes()
    (tables / "norms.csv").write_text("edited\n", encoding="utf-8")
    (tables / "files.csv").unlink()
    assert done("refresh", demo_copy, *VALID_ON, "--json").report["steps"] == ["publish"]
    assert (tables / "norms.csv").read_bytes() == whole and (tables / "files.csv").is_file()


def test_a_changed_limit_redoes_what_depends_on_it(demo_copy: Path):
    with (demo_copy / "config" / "metrics.toml").open("a", encoding="utf-8") as stream:
        stream.write("\n[jump_height]\nsoft = [20, 40]\n")
    steps = done("refresh", demo_copy, *VALID_ON, "--json").report["steps"]
    assert "measurements" in steps and "sessions" not in steps and steps[-1] == "publish"


def test_a_moved_schedule_redoes_nothing(demo_copy: Path):
    with (demo_copy / "config" / "facility.toml").open("a", encoding="utf-8") as stream:
        stream.write('\n[schedule]\nweekly_time = "07:10"\n')
    assert done("run", demo_copy, *VALID_ON, "--json").report["steps"] == ["take_in", "today"]


def test_an_alias_given_while_a_run_is_under_way_is_in_what_it_publishes(demo_copy: Path, monkeypatch):
    """The lock is let go between steps; whoever gets in between is seen by the hashes."""
    with (demo_copy / "config" / "metrics.toml").open("a", encoding="utf-8") as stream:
        stream.write("\n[jump_height]\nsoft = [20, 40]\n")
    given: list[int] = []

    def somebody_gets_in() -> None:
        if run.done[-1] == "measurements" and not given:
            given.append(process("alias", demo_copy, "Ines Carvalhau", "a10").status)

    monkeypatch.setattr(running, "let_others_in", somebody_gets_in)
    monkeypatch.setattr(running, "_HELD_SECONDS", 0.001)
    run = Run(load_facility(demo_copy), lambda text: None, date(2026, 1, 31))
    run_steps(run, refresh_steps())
    assert given == [0] and run.done.count("measurements") == 2
    with duckdb.connect(str(demo_copy / "published" / "yardmark.duckdb"), read_only=True) as connection:
        query = "SELECT count(*) FROM jump_trials WHERE athlete_id = 'a10' AND local_date = '2025-10-20'"
        [(trials,)] = connection.execute(query).fetchall()
    assert trials >= 5
    assert done("refresh", demo_copy, *VALID_ON, "--json").report["steps"] == []


def test_a_step_that_fails_is_written_down_and_what_was_done_stays(demo_copy: Path, monkeypatch):
    def full_disk(*_: object, **__: object) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr("pipeline.steps.publish", full_disk)
    ended = here("run", demo_copy, "--valid-on", "2026-02-05")
    assert ended.status == 1 and "No space left" in ended.err and "Traceback" not in ended.err
    last = read_runs(demo_copy).tail(1).row(0, named=True)
    assert last["step"] == "publish" and last["outcome"].startswith("failed: [Errno 28]")
    monkeypatch.undo()
    assert done("run", demo_copy, "--valid-on", "2026-02-05", "--json").report["steps"] == [
        "take_in",
        "today",
        "publish",
    ]


def test_a_refresh_over_a_lost_warehouse_reads_the_archive_first(demo_copy: Path):
    (demo_copy / "warehouse" / "yardmark.duckdb").unlink()
    ended = done("refresh", demo_copy, *VALID_ON, "--json")
    assert ended.report["rows"]["results"] > 1_000 and steps_of(demo_copy)[0] == "rebuild"


def test_the_log_says_what_ran_and_from_what(demo: Path):
    runs = read_runs(demo)
    assert runs["step"].to_list() == [step.name for step in plain_steps()]
    assert runs["run_id"].n_unique() == 1 and set(runs["outcome"]) == {"done"}
    assert runs["inputs_hash"].null_count() == 0 and (runs["rows"] > 0).all()
    assert set(runs["as_of"]) == {date(2026, 1, 30)} and set(runs["valid_on"]) == {date(2026, 1, 31)}


def test_equal_inputs_have_equal_hashes_in_another_facility(demo: Path, tmp_path: Path):
    """Those of intake tell of the files' own times, which a copy of the demo may change."""
    again = copy_of(demo, tmp_path / "again")
    (again / "warehouse" / "yardmark.duckdb").unlink()
    done("rebuild", again, *VALID_ON)
    columns = ["step", "inputs_hash", "outputs_hash"]
    first = read_runs(demo).filter(~read_runs(demo)["step"].is_in(["take_in", "today"])).select(columns)
    runs = read_runs(again)
    second = runs.filter(runs["run_id"] == runs["run_id"][-1], runs["step"] != "rebuild").select(columns)
    assert first.equals(second)


def test_the_published_log_is_no_file_of_its_own(demo: Path):
    with duckdb.connect(str(demo / "published" / "yardmark.duckdb"), read_only=True) as connection:
        [(steps, versions)] = connection.execute(
            "SELECT count(*), count(DISTINCT code_version) FROM runs"
        ).fetchall()
    assert steps == len(plain_steps()) - 1 and versions == 1
    assert not (demo / "published" / "tables" / "runs.parquet").exists()


@pytest.fixture
def edition(demo_copy: Path) -> list[Path]:
    ended = done("refresh", demo_copy, "--valid-on", "2026-02-03", "--edition", "--json")
    return [Path(path) for path in ended.report["edition"]]


def test_the_edition_is_the_norms_of_the_closed_week(demo_copy: Path, edition: list[Path]):
    workbook, text = edition
    with duckdb.connect(str(demo_copy / "published" / "yardmark.duckdb"), read_only=True) as connection:
        query = "SELECT DISTINCT norms_version FROM norms WHERE week = DATE '2026-01-26'"
        [(version,)] = connection.execute(query).fetchall()
    assert text.stem == workbook.stem == f"norms_2026-01-26_{version.replace('/', '-')}"
    assert text.read_bytes() == (text.parent / "norms.csv").read_bytes()
    assert text.stat().st_mode & 0o222 == 0


def test_an_edition_is_never_written_again(demo_copy: Path, edition: list[Path]):
    before = [(path.read_bytes(), path.stat().st_mtime_ns) for path in edition]
    with (demo_copy / "config" / "corrections.csv").open("a", encoding="utf-8") as stream:
        stream.write("2026-02-03,coach,slipped,mat-1,,,a01,2025-10-20,countermovement_jump,,strike,,\n")
    ended = done("run", demo_copy, "--valid-on", "2026-02-04", "--edition", "--json")
    assert "norms" in ended.report["steps"] and ended.report["edition"] == []
    assert [(path.read_bytes(), path.stat().st_mtime_ns) for path in edition] == before
    assert len(list(edition[0].parent.glob("norms_*"))) == 2
    later = done("run", demo_copy, "--valid-on", "2026-02-09", "--edition", "--json")
    assert all("_2026-02-02_" in path for path in later.report["edition"])


def test_an_edition_knows_nothing_that_came_after_its_week(demo: Path, tmp_path: Path):
    """Written on time, or two months late: the same numbers."""
    late, on_time = copy_of(demo, tmp_path / "late"), copy_of(demo, tmp_path / "on_time")
    done("refresh", on_time, "--as-of", "2025-11-23", "--valid-on", "2025-11-25", "--edition")
    done("refresh", late, "--valid-on", "2025-11-25", "--edition")
    found = [
        sorted((folder / "published" / "coach").glob("norms_2025-11-17_*")) for folder in (late, on_time)
    ]
    assert [path.name for path in found[0]] == [path.name for path in found[1]] and len(found[0]) == 2
    assert [path.read_bytes() for path in found[0]] == [path.read_bytes() for path in found[1]]


def test_a_week_without_norms_has_no_edition(demo_copy: Path):
    ended = done("refresh", demo_copy, "--valid-on", "2025-09-02", "--edition")
    assert "no norms yet" in ended.out
    assert list((demo_copy / "published" / "coach").glob("norms_*")) == []


def test_status_says_how_a_facility_stands(demo_copy: Path):
    (demo_copy / "inbox" / "late.csv").write_text("x\n1\n", encoding="utf-8")
    (demo_copy / "inbox" / "half.csv.part").write_text("x", encoding="utf-8")
    found = done("status", demo_copy, "--json").report
    assert not found["watched"] and found["open"]["unknown_name"] > 3
    assert found["last_runs"][0]["started_by"] == "demo"
    assert {Path(item["path"]).name for item in found["inbox"]} == {"late.csv", "half.csv.part"}
    assert set(found["next_runs"]) == {"nightly", "weekly"}
    shown = done("status", demo_copy).out
    for text in ("not watched", "late.csv", "unfinished", "Next weekly run", "take_in ... publish"):
        assert text in shown

"""An athlete is forgotten: nothing of theirs is left in the folder, and everybody else's is as it was."""

from __future__ import annotations

import csv
import hashlib
import io
import os
import shutil
import stat
import zipfile
from collections.abc import Callable
from pathlib import Path

import duckdb
import polars as pl
import pytest

from pipeline.emptied import emptied_lines, emptied_workbook
from pipeline.facility.folder import Facility, load_facility
from pipeline.forget import Plan, forget, plan_again, plan_to_forget
from pipeline.intake.archive import utc_now
from pipeline.intake.identity import normalise
from pipeline.publish.database import current_file
from pipeline.warehouse.store import Warehouse, open_warehouse, remove_warehouse
from tests.end_to_end.runs import done, here
from tests.end_to_end.test_outside import make_facility, write

WHO = "a07"
TABLES = ("jump_trials", "sprint_splits", "body_readings", "bar_reps", "neck_trials", "skinfold_readings")


def rows_of(folder: Path, table: str, others_of: str) -> list[tuple[object, ...]]:
    """The rows of everybody else, but for the file's name, which is another where a line was emptied."""
    with duckdb.connect(str(current_file(folder / "published")), read_only=True) as connection:
        query = f"SELECT * EXCLUDE (file_id) FROM {table} WHERE athlete_id <> ? ORDER BY ALL"
        return connection.execute(query, [others_of]).fetchall()


def _content(path: Path) -> bytes:
    """The bytes of a file, of a workbook those of all its parts."""
    data = path.read_bytes()
    if not data.startswith(b"PK"):
        return data
    with zipfile.ZipFile(io.BytesIO(data)) as book:
        return b"\n".join(book.read(name) for name in book.namelist())


@pytest.fixture(scope="module")
def folders(demo: Path, tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, Path]:
    after = tmp_path_factory.mktemp("forget") / "demo"
    shutil.copytree(demo, after)
    (after / "config" / "events.csv").chmod(0o640)
    done("forget", after, WHO, "--yes")
    return demo, after


@pytest.mark.skipif(os.name != "posix", reason="Windows knows no such rights")
def test_what_is_written_anew_has_the_rights_it_had(folders: tuple[Path, Path]) -> None:
    _, after = folders
    kept = {path: stat.S_IMODE(path.stat().st_mode) for path in (after / "config").glob("*.csv")}
    assert kept.pop(after / "config" / "events.csv") == 0o640
    assert set(kept.values()) == {0o600}
    assert {stat.S_IMODE(path.stat().st_mode) for path in (after / "archive").iterdir()} == {0o600}


@pytest.mark.mode(61)
def test_nothing_of_theirs_is_left(folders: tuple[Path, Path]) -> None:
    demo, after = folders
    roster = {
        row["athlete_id"]: row
        for row in csv.DictReader((demo / "config/athletes.csv").open(encoding="utf-8"))
    }
    name = roster[WHO]["name"]
    for path in sorted((after / "config").glob("*.csv")):
        cells = {cell for row in csv.reader(path.open(encoding="utf-8")) for cell in row}
        assert not cells & {WHO, name}, path.name
    for folder in ("held", "published"):
        for path in sorted((after / folder).rglob("*")):
            if path.suffix in (".csv", ".html", ".json", ".xlsx"):
                assert name.encode() not in _content(path), path.name
    assert name in (demo / "published/coach/today.html").read_text(encoding="utf-8")
    seen = 0
    for path in sorted((demo / "archive").iterdir()):
        seen += name in _content(path).decode("utf-8", "ignore")
    assert seen > 10
    for path in sorted((after / "archive").iterdir()):
        for code in ("utf-8", "latin-1", "utf-16"):
            assert normalise(name) not in normalise(_content(path).decode(code, "ignore")), path.name
    with duckdb.connect(str(current_file(after / "published")), read_only=True) as connection:
        for table in (*TABLES, "results", "against_group", "athletes", "sessions"):
            assert connection.execute(
                f"SELECT count(*) FROM {table} WHERE athlete_id = ?", [WHO]
            ).fetchall() == [(0,)]


@pytest.mark.parametrize("table", TABLES)
def test_everybody_elses_trials_are_as_they_were(folders: tuple[Path, Path], table: str) -> None:
    before, after = (rows_of(folder, table, WHO) for folder in folders)
    assert before == after
    assert before or table == "skinfold_readings"


def test_the_archive_is_whole_and_says_what_became_what(folders: tuple[Path, Path]) -> None:
    _, after = folders
    names = {path.name for path in (after / "archive").iterdir() if len(path.name) == 64}
    for name in names:
        assert hashlib.sha256((after / "archive" / name).read_bytes()).hexdigest() == name
    with (after / "archive" / "index.csv").open(encoding="utf-8") as index:
        assert {row["file_id"] for row in csv.DictReader(index)} == names
    with (after / "archive" / "forgotten.csv").open(encoding="utf-8") as stones:
        for row in csv.DictReader(stones):
            assert row["file_id"] not in names
            assert row["became"] in names | {""}


def test_a_dry_run_changes_nothing_and_says_what_it_cannot_reach(demo: Path) -> None:
    before = sorted((path.name, path.stat().st_mtime_ns) for path in (demo / "archive").iterdir())
    told = done("forget", demo, WHO, "--dry-run", "--json").report
    assert told["workbooks_not_reached"] == []
    assert told["done"] is False
    assert sum(len(lines) for lines in told["lines_emptied"].values()) > 100
    assert any("backups" in text for text in told["beyond_reach"])
    assert sorted((path.name, path.stat().st_mtime_ns) for path in (demo / "archive").iterdir()) == before


def test_emptied_lines_keep_their_ends_and_all_else_its_bytes() -> None:
    assert emptied_lines(b"a\r\nb\xff\nc", {1}) == b"\r\nb\xff\nc"
    assert emptied_lines(b"a\rb\rc", {2, 3}) == b"a\r\r"
    wide = "\ufeffa\nb\n".encode("utf-16-le")
    assert emptied_lines(wide, {2}) == "\ufeffa\n\n".encode("utf-16-le")


def test_a_workbook_that_is_none_is_refused() -> None:
    with pytest.raises(zipfile.BadZipFile):
        emptied_workbook(b"PK nothing", lambda text: True)


HEADER = "Athlete;Day;Heavy;Remark"
LAYOUT = f"""layout = "notes"
family = "body_measures"
device = "scales"
ignore = ["Remark"]
[match]
folder = "notes"
header = [{", ".join(f'"{name}"' for name in HEADER.split(";"))}]
[file]
delimiter = ";"
multiline = true
[columns.athlete]
from = "Athlete"
[columns.performed_at]
from = "Day"
format = "%Y-%m-%d"
[columns.value]
unpivot = [{{ from = "Heavy", quantity = "mass", unit = "kg" }}]
"""
NOTES = f"""{HEADER}
Ana Dahl;2026-01-05;61.5;"slept badly,
as Ana says
twice"
Bo Lind;2026-01-05;72.5;"well,
as always"
"Dahl, Ana";2026-01-06;heavy;held
Bo Lind;2026-01-07;72.0;
"""


@pytest.fixture(scope="module")
def hall(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A hall that weighed two people, with remarks over several lines, and has forgotten one."""
    folder = tmp_path_factory.mktemp("forget") / "hall"
    people = ["w1,Ana Dahl,2001-02-03,female,", "w2,Bo Lind,2000-05-06,male,"]
    make_facility(folder, people, ["w1,rowing", "w2,rowing"], {"notes": LAYOUT})
    drop(folder)
    # The athlete first: either order will do.
    told = done("forget", "w1", folder, "--dry-run", "--json").report
    assert list(told["lines_emptied"].values()) == [[2, 3, 4, 7]]
    carry_out(folder, lambda facility, warehouse: plan_to_forget(facility, warehouse, "w1"))
    return folder


def drop(folder: Path) -> None:
    write(folder / "inbox" / "notes" / "january.csv", NOTES)
    done("intake", folder)


def carry_out(folder: Path, planned: Callable[[Facility, Warehouse], Plan]) -> None:
    """What `forget` does, but for making and publishing all tables anew."""
    facility = load_facility(folder)
    with open_warehouse(facility.warehouse_file) as warehouse:
        forget(facility, warehouse, planned(facility, warehouse), utc_now())
    remove_warehouse(facility.warehouse_file)


def archived(folder: Path) -> list[str]:
    return [p.read_text("utf-8") for p in sorted((folder / "archive").iterdir()) if len(p.name) == 64]


def test_a_record_goes_with_all_its_lines_and_the_next_keeps_its_own(hall: Path) -> None:
    (text,) = archived(hall)
    assert text == f'{HEADER}\n\n\n\nBo Lind;2026-01-05;72.5;"well,\nas always"\n\nBo Lind;2026-01-07;72.0;\n'


def test_an_old_export_dropped_again_brings_nobody_back(hall: Path, tmp_path: Path) -> None:
    """Its lines are left out and say why; no sheet asks who it is; --again takes them out of the archive."""
    folder = tmp_path / "hall"
    shutil.copytree(hall, folder)
    names = (folder / "archive" / "forgotten_names.csv").read_text("utf-8")
    assert names.count("\n") > 2 and "ana" not in names.lower() and "w1" not in names
    drop(folder)
    with open_warehouse(load_facility(folder).warehouse_file) as warehouse:
        held = warehouse.read("held_rows").filter(pl.col("code") == "forgotten")
        weighed = warehouse.read("body_readings")["athlete_id"].unique().to_list()
    assert held.select("line", "state").rows() == [(2, "answered")]
    assert held["reason"].to_list() == ["This is somebody who was forgotten."]
    assert weighed == ["w2"]
    assert any("Ana" in text for text in archived(folder))
    carry_out(folder, plan_again)
    assert not any("Ana" in text or "Dahl" in text for text in archived(folder))
    sheets = [path.read_text("utf-8-sig") for path in (folder / "held").glob("*.csv")]
    assert not any("Dahl" in text for text in sheets)


@pytest.mark.parametrize("words", [[], ["a", "b", "c"], ["a", "b", "--again"]])
def test_words_that_say_nothing_are_wrong_usage(words: list[str]) -> None:
    ended = here("forget", *words)
    assert (ended.status, "ATHLETE_ID" in ended.err) == (2, True)

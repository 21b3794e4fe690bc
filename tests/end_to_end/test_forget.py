"""An athlete is forgotten: nothing of theirs is left in the folder, and everybody else's is as it was."""

from __future__ import annotations

import csv
import hashlib
import io
import os
import shutil
import stat
import zipfile
from pathlib import Path

import duckdb
import pytest

from pipeline.emptied import emptied_lines, emptied_workbook
from pipeline.intake.identity import normalise
from pipeline.publish.database import current_file
from tests.end_to_end.runs import done

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

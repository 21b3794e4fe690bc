"""The published DuckDB file: what clients see, and how it is replaced under its readers."""

from __future__ import annotations

import os
import subprocess
import sys
from collections.abc import Callable
from datetime import date
from pathlib import Path

import duckdb
import polars as pl
import pytest

from pipeline.publish.database import POINTER, current_file, publish_database
from pipeline.publish.frames import in_order, published_tables
from pipeline.publish.views import views
from schemas.catalogue import CATALOGUE
from schemas.core import Table
from schemas.ddl import SQL_TYPES
from schemas.tables import TABLES, columns_of

Frames = dict[str, pl.DataFrame]
Put = Callable[[Frames], Path]
VIEWS = views(date(2026, 3, 20), CATALOGUE)


def _open_tables() -> list[Table]:
    return [table for table in published_tables() if not table.restricted]


@pytest.fixture
def put_all(tmp_path: Path) -> Put:
    """Publish the frames into the test's folder; gives the file that is current then."""

    def put(frames: Frames) -> Path:
        return publish_database(tmp_path, _open_tables(), in_order(frames), VIEWS)[0]

    return put


def test_clients_of_older_versions_can_open_it(put_all: Put, frames: Frames) -> None:
    with duckdb.connect(put_all(frames), read_only=True) as connection:
        query = "SELECT tags['storage_version'] FROM duckdb_databases() WHERE NOT internal"
        assert connection.execute(query).fetchall() == [("v1.2.0+",)]


def test_every_table_view_and_column_has_a_comment(put_all: Put, frames: Frames) -> None:
    with duckdb.connect(put_all(frames), read_only=True) as connection:
        comments = connection.execute(
            "SELECT table_name, comment FROM duckdb_tables() UNION ALL "
            "SELECT view_name, comment FROM duckdb_views() WHERE NOT internal UNION ALL "
            "SELECT table_name || '.' || column_name, comment FROM duckdb_columns() WHERE NOT internal"
        ).fetchall()
    names = {name for name, _ in comments}
    assert {table.name for table in _open_tables()} | {view.name for view in VIEWS} <= names
    assert {"norms.mean", "lineage.file_sha256", "results_wide_timing_gates.sprint_time"} <= names
    assert [name for name, comment in comments if not (comment or "").strip()] == []


def test_columns_have_their_declared_types_and_not_nulls(put_all: Put, frames: Frames) -> None:
    with duckdb.connect(put_all(frames), read_only=True) as connection:
        columns = connection.execute(
            "SELECT table_name, column_name, data_type, is_nullable FROM duckdb_columns() "
            "WHERE NOT internal ORDER BY table_oid, column_index"
        ).fetchall()
    found = {name: [row[1:] for row in columns if row[0] == name] for name in {row[0] for row in columns}}
    for table in _open_tables():
        assert found[table.name] == [
            (name, SQL_TYPES[field.type], name not in table.required)
            for name, field in columns_of(table).items()
        ]
    for view in VIEWS:
        assert [row[:2] for row in found[view.name]] == [
            (name, SQL_TYPES[field.type]) for name, field in view.columns.items()
        ], view.name


def test_rows_are_all_there_and_sorted_by_key(put_all: Put, frames: Frames) -> None:
    with duckdb.connect(put_all(frames), read_only=True) as connection:
        for table in _open_tables():
            rows = connection.sql(f"FROM {table.name}").pl()
            assert rows.height == frames[table.name].height
            assert rows[list(table.key)].rows() == frames[table.name].sort(table.key)[list(table.key)].rows()
        assert connection.sql("FROM jump_trials").pl().equals(frames["jump_trials"].sort("row_id"))


def test_a_missing_value_that_a_row_needs_is_refused(put_all: Put, frames: Frames, tmp_path: Path) -> None:
    results = frames["results"].with_columns(unit=pl.lit(None, pl.String))
    with pytest.raises(duckdb.ConstraintException):
        put_all(frames | {"results": results})
    assert list(tmp_path.iterdir()) == []


_COUNT = """
import duckdb, sys
connection = duckdb.connect(sys.argv[1], read_only=True)
def count():
    print(connection.execute("SELECT count(*) FROM results").fetchone()[0], flush=True)
"""


def _reader(path: Path, then: str) -> subprocess.Popen[str]:
    return subprocess.Popen(
        [sys.executable, "-c", _COUNT + then, str(path)],
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        text=True,
    )


@pytest.mark.skipif(os.name != "posix", reason="elsewhere a file held open is not replaced: see below")
def test_a_reader_keeps_its_numbers_and_the_next_one_sees_the_new(put_all: Put, frames: Frames) -> None:
    path = put_all(frames)
    old = _reader(path, "count(); input(); count()")
    assert old.stdout is not None
    before = old.stdout.readline()
    assert put_all(frames | {"results": frames["results"].head(1)}) == path
    with _reader(path, "count()") as new:
        assert new.communicate()[0] == "1\n"
    after, _ = old.communicate("\n")
    assert (before, after) == (f"{frames['results'].height}\n", f"{frames['results'].height}\n")


@pytest.mark.skipif(os.name != "posix", reason="a process is killed")
def test_what_a_crashed_client_left_beside_the_file_does_not_reach_the_new_one(
    put_all: Put, frames: Frames
) -> None:
    path = put_all(frames)
    crash = (
        "import duckdb, os, sys; c = duckdb.connect(sys.argv[1]); "
        "c.execute('DELETE FROM results'); c.execute('CREATE TABLE own (i INTEGER)'); os.kill(os.getpid(), 9)"
    )
    subprocess.run([sys.executable, "-c", crash, str(path)], check=False)
    log = path.with_name(path.name + ".wal")
    assert log.exists()
    put_all(frames)
    assert not log.exists()
    with duckdb.connect(path, read_only=True) as connection:
        assert connection.execute("SELECT count(*) FROM results").fetchall() == [(frames["results"].height,)]
        assert connection.execute(
            "SELECT count(*) FROM duckdb_tables() WHERE table_name = 'own'"
        ).fetchall() == [(0,)]


def test_what_a_killed_run_left_does_not_matter(put_all: Put, frames: Frames, tmp_path: Path) -> None:
    for name in (".yardmark.duckdb.part", ".yardmark.duckdb.part.wal"):
        (tmp_path / name).write_bytes(b"half a file")
    path = put_all(frames)
    assert {left.name for left in tmp_path.iterdir()} == {"yardmark.duckdb", POINTER}
    with duckdb.connect(path, read_only=True) as connection:
        assert connection.execute("SELECT count(*) FROM results").fetchall() == [(frames["results"].height,)]


def test_where_replacing_is_refused_the_pointer_names_a_new_file(
    put_all: Put, frames: Frames, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    first = put_all(frames)
    assert current_file(tmp_path) == first == tmp_path / "yardmark.duckdb"
    assert (tmp_path / POINTER).read_text(encoding="utf-8") == "yardmark.duckdb\n"
    held = {first}
    replace = Path.replace

    def refuse(source: Path, target: Path) -> Path:
        if target in held:
            raise PermissionError(f"{target} is open in another program")
        return replace(source, target)

    monkeypatch.setattr(Path, "replace", refuse)
    second = put_all(frames | {"results": frames["results"].head(1)})
    assert current_file(tmp_path) == second == tmp_path / "yardmark.1.duckdb"
    third = put_all(frames | {"results": frames["results"].head(2)})
    assert current_file(tmp_path) == third == tmp_path / "yardmark.2.duckdb"
    assert not second.exists()
    with duckdb.connect(current_file(tmp_path), read_only=True) as connection:
        assert connection.execute("SELECT count(*) FROM results").fetchall() == [(2,)]
    held.clear()
    assert put_all(frames) == first == current_file(tmp_path)
    assert {path.name for path in tmp_path.iterdir()} == {"yardmark.duckdb", POINTER}


def test_a_pointer_to_a_file_that_is_gone_leads_to_the_usual_one(tmp_path: Path) -> None:
    (tmp_path / POINTER).write_text("yardmark.3.duckdb\n", encoding="utf-8")
    assert current_file(tmp_path) == tmp_path / "yardmark.duckdb"
    assert current_file(tmp_path / "nowhere") == tmp_path / "nowhere" / "yardmark.duckdb"


def test_every_published_table_is_in_one_of_the_two_files() -> None:
    restricted = {table.name for table in TABLES.values() if table.restricted}
    assert {table.name for table in _open_tables()} | restricted == {
        table.name for table in published_tables()
    }

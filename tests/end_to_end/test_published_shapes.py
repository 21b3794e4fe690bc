"""What the demo publishes is what the declarations say: types, comments, keys, plain shapes."""

from __future__ import annotations

import json
from collections.abc import Iterator
from pathlib import Path

import duckdb
import polars as pl
import pytest

from schemas.frames import polars_schema
from schemas.models import table_model
from schemas.tables import FAMILY_OF_TABLE, SAMPLE_SETS, TABLES, columns_of

OPEN = [table for table in TABLES.values() if table.published and not table.restricted]
FLAT = [table for table in OPEN if table.flat]
RESTRICTED = [table for table in TABLES.values() if table.published and table.restricted]
PLAIN = {"VARCHAR", "INTEGER", "BIGINT", "DOUBLE", "BOOLEAN", "DATE", "TIME", "TIMESTAMP"}


@pytest.fixture(scope="module")
def database(demo: Path) -> Iterator[duckdb.DuckDBPyConnection]:
    with duckdb.connect(str(demo / "published" / "yardmark.duckdb"), read_only=True) as connection:
        yield connection


@pytest.mark.parametrize("table", FLAT, ids=lambda table: table.name)
def test_a_published_table_passes_its_model_in_both_files(table, demo: Path, database):
    """The DuckDB table and the Parquet file, eagerly, with keys and limits."""
    parquet = demo / "published" / "tables" / f"{table.name}.parquet"
    frames = [database.sql(f'SELECT * FROM "{table.name}"').pl(), pl.read_parquet(parquet)]
    schema = polars_schema(table)
    for frame in frames:
        assert list(frame.columns) == list(schema)
        typed = frame.select(pl.col(name).cast(dtype) for name, dtype in schema.items())
        table_model(table.name).validate(typed, lazy=True)
    assert frames[0].equals(frames[1], null_equal=True)
    # Events of squads, and youths enough for a curve, the demo has none.
    if table.name not in ("events", "age_norms", "against_age"):
        assert frames[0].height > 0


def test_restricted_tables_are_in_the_restricted_file_only(demo: Path, database):
    inside = {name for (name,) in database.sql("SELECT table_name FROM duckdb_tables()").fetchall()}
    assert not inside & {table.name for table in RESTRICTED}
    file = demo / "published" / "restricted" / "yardmark.duckdb"
    with duckdb.connect(str(file), read_only=True) as connection:
        for table in RESTRICTED:
            frame = connection.sql(f'SELECT * FROM "{table.name}"').pl()
            typed = frame.select(pl.col(name).cast(dtype) for name, dtype in polars_schema(table).items())
            table_model(table.name).validate(typed, lazy=True)
            assert not (demo / "published" / "tables" / f"{table.name}.parquet").exists()


def test_every_table_view_and_column_has_a_comment(database):
    tables = dict(database.sql("SELECT table_name, comment FROM duckdb_tables()").fetchall())
    assert tables.keys() == {table.name for table in OPEN}
    views = dict(database.sql("SELECT view_name, comment FROM duckdb_views() WHERE NOT internal").fetchall())
    assert {"current_norms", "stale_tests", "lineage", "files_first"} <= views.keys()
    for name, comment in {**tables, **views}.items():
        assert comment and comment.startswith("A row is "), name
    columns = database.sql(
        "SELECT table_name, column_name, comment FROM duckdb_columns() WHERE NOT internal"
    ).fetchall()
    assert len(columns) > 300
    assert [one for one in columns if not one[2]] == []
    told = {(table, column): comment for table, column, comment in columns}
    for table in OPEN:
        for name, field in columns_of(table).items():
            assert told[table.name, name] == field.comment
    assert "not to be summed" in told["results", "value"].lower()


def test_types_are_those_that_every_tool_reads(database):
    """No list, struct, enum, union or 128-bit number in any table or view; no NaN in any real."""
    columns = database.sql(
        "SELECT table_name, column_name, data_type FROM duckdb_columns() WHERE NOT internal"
    ).fetchall()
    assert {kind for _, _, kind in columns} <= PLAIN
    for table, column, kind in columns:
        if kind == "DOUBLE":
            query = f'SELECT count(*) FROM "{table}" WHERE NOT isfinite("{column}")'
            assert database.sql(query).fetchall() == [(0,)], (table, column)


def test_every_view_can_be_read(database):
    views = database.sql("SELECT view_name FROM duckdb_views() WHERE NOT internal").fetchall()
    empty = [view for (view,) in views if not database.sql(f'SELECT 1 FROM "{view}" LIMIT 1').fetchall()]
    assert empty == []


def test_codes_metrics_and_ids_that_rows_name_exist(database):
    """Every foreign key of the contract points at a row."""
    for table, column, home, key in (
        ("measurements", "metric", "metrics", "metric"),
        ("measurements", "series_id", "series", "series_id"),
        ("measurements", "session_id", "sessions", "session_id"),
        ("measurements", "athlete_id", "athletes", "athlete_id"),
        ("measurement_inputs", "measurement_id", "measurements", "measurement_id"),
        ("results", "session_id", "sessions", "session_id"),
        ("results", "series_id", "series", "series_id"),
        ("session_squads", "session_id", "sessions", "session_id"),
        ("norms", "population_id", "populations", "population_id"),
        ("norms", "series_id", "series", "series_id"),
        ("against_group", "athlete_id", "athletes", "athlete_id"),
        ("against_group", "population_id", "populations", "population_id"),
        ("against_group", "series_id", "series", "series_id"),
        ("against_group", "norms_version", "norms", "norms_version"),
        ("composites", "population_id", "populations", "population_id"),
        ("composites", "metric", "metrics", "metric"),
        ("norm_percentiles", "population_id", "populations", "population_id"),
        ("populations", "parent_id", "populations", "population_id"),
        ("value_flags", "code", "flag_codes", "code"),
        ("held_rows", "code", "flag_codes", "code"),
        ("held_rows", "file_id", "(SELECT left(file_id, 16) AS file_id FROM files)", "file_id"),
    ):
        lost = database.sql(
            f"""SELECT count(*) FROM {table} WHERE {column} IS NOT NULL
                AND {column} NOT IN (SELECT {key} FROM {home} WHERE {key} IS NOT NULL)"""
        ).fetchall()
        assert lost == [(0,)], (table, column)
    for table in (name for name in FAMILY_OF_TABLE if not TABLES[name].is_set):
        lost = database.sql(
            f"""SELECT count(*) FROM {table} AS t
                WHERE NOT EXISTS (FROM files AS f WHERE left(f.file_id, 16) = t.file_id)
                OR NOT EXISTS (FROM sessions AS s WHERE s.session_id = t.session_id)"""
        ).fetchall()
        assert lost == [(0,)], table


def test_the_law_of_rows_holds_in_what_is_published(database):
    """lines = loaded + held + repeated + superseding + skipped; every held line is in held_rows."""
    broken = database.sql(
        "SELECT path FROM files WHERE lines <> loaded + held + repeated + superseding + skipped"
    ).fetchall()
    assert broken == []
    counted = database.sql(
        """SELECT f.path FROM files AS f WHERE f.status = 'partly_held' AND f.held <> (
             SELECT count(DISTINCT line) FROM held_rows AS h
             WHERE h.file_id = left(f.file_id, 16) AND h.state = 'open')"""
    ).fetchall()
    assert counted == []


def test_no_name_and_no_birth_date_is_published_in_the_open(demo: Path, database):
    """Nor a file's own name: a person may stand in it. Names are in people/ only."""
    roster = pl.read_csv(demo / "config" / "athletes.csv", infer_schema=False)
    secret = [*roster["name"], *roster["birth_date"], "Brigsund", "vuelos_", "_jumps.csv"]
    texts = {table.name: database.sql(f'SELECT * FROM "{table.name}"').pl().write_csv() for table in OPEN}
    coach = demo / "published" / "coach" / "norms.csv"
    texts["norms.csv"] = coach.read_text(encoding="utf-8-sig")
    shown = {name: [word for word in secret if word in text] for name, text in texts.items()}
    assert {name: words for name, words in shown.items() if words} == {}
    people = (demo / "published" / "people" / "athletes.csv").read_text(encoding="utf-8-sig")
    assert all(name in people for name in roster["name"])


def test_the_csv_files_are_those_of_the_contract_and_say_the_same(demo: Path):
    tables = demo / "published" / "tables"
    found = {path.stem for path in tables.glob("*.csv")}
    assert found == {table.name for table in OPEN if table.as_csv}
    for name in sorted(found):
        text = pl.read_csv(tables / f"{name}.csv", infer_schema=False)
        parquet = pl.read_parquet(tables / f"{name}.parquet")
        assert text.columns == parquet.columns and text.height == parquet.height
        for column, dtype in parquet.schema.items():
            if dtype == pl.Float64:
                assert text[column].cast(pl.Float64).equals(parquet[column], null_equal=True), (name, column)


def test_the_data_package_describes_every_file(demo: Path):
    tables = demo / "published" / "tables"
    package = json.loads((tables / "datapackage.json").read_text(encoding="utf-8"))
    described: list[str] = []
    for resource in package["resources"]:
        name, _, kind = resource["name"].rpartition("-")
        of_set = TABLES[name].is_set
        assert isinstance(resource["path"], list) == of_set
        paths = resource["path"] if of_set else [resource["path"]]
        assert all(path.split("/")[0].split(".")[0] == name and path.endswith(kind) for path in paths)
        described += paths
        fields = resource["schema"]["fields"]
        assert [field["name"] for field in fields] == list(columns_of(TABLES[name]))
        assert all(field["description"] for field in fields)
    there = [path for path in tables.rglob("*") if path.suffix in (".csv", ".parquet")]
    assert sorted(described) == sorted(path.relative_to(tables).as_posix() for path in there)
    assert any("/month=" in path for path in described)


def test_a_sample_set_passes_its_model_in_each_month(demo: Path):
    """Traces are Parquet only: every part has the set's columns, keys and limits."""
    assert SAMPLE_SETS
    for table in (TABLES[name] for name in SAMPLE_SETS):
        parts = sorted((demo / "published" / "tables" / table.name).glob("month=*/samples.parquet"))
        assert len(parts) > 1
        schema = polars_schema(table)
        for part in parts:
            frame = pl.read_parquet(part, hive_partitioning=False)
            assert list(frame.columns) == list(schema) and frame.height > 100
            table_model(table.name).validate(frame, lazy=True)


def test_a_test_that_the_facility_declared_is_a_metric_like_others(database):
    """With its own words, and with measurements, results and norms of it."""
    rows = database.sql(
        """SELECT m.metric, m.label, m.unit, count(DISTINCT v.measurement_id), count(DISTINCT r.session_id)
           FROM metrics AS m JOIN measurements AS v USING (metric) JOIN results AS r USING (metric)
           WHERE m.metric IN ('broad_jump', 'grip_force', 'row_2000_m') GROUP BY ALL ORDER BY ALL"""
    ).fetchall()
    assert [row[:3] for row in rows] == [
        ("broad_jump", "broad jump", "cm"),
        ("grip_force", "grip force", "N"),
        ("row_2000_m", "2000 m on the ergometer", "s"),
    ]
    assert all(values > 50 and results > 25 for *_, values, results in rows)

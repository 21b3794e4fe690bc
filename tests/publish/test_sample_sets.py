"""Sample sets: Parquet by month, equal bytes, read by those who will read it."""

from __future__ import annotations

import hashlib
import json
from pathlib import Path

import duckdb
import polars as pl
import pytest

from pipeline.publish.flat import publish_flat
from pipeline.publish.frames import in_order, published_tables
from pipeline.publish.sample_sets import publish_sample_sets
from schemas.ddl import literal
from schemas.frames import polars_schema
from schemas.tables import SAMPLE_SETS, TABLES, columns_of

SET = "resisted_samples"
Frames = dict[str, pl.DataFrame]


def samples(**months: int) -> pl.DataFrame:
    """So many samples in each month (`m2025_09=3`), a run a month."""
    rows = [
        {
            "sample_set_id": f"run-{month}",
            "time_s": n / 50,
            "position_m": n / 10,
            "velocity_m_s": None,
            "force_n": 60.5,
            "file_id": "f",
            "line": n + 2,
            "month": month.removeprefix("m").replace("_", "-"),
        }
        for month, count in months.items()
        for n in range(count)
    ]
    return pl.DataFrame(rows, schema={**polars_schema(TABLES[SET]), "month": pl.String})


def bytes_below(folder: Path) -> dict[str, bytes]:
    files = (path for path in sorted(folder.rglob("*")) if path.is_file())
    return {path.relative_to(folder).as_posix(): path.read_bytes() for path in files}


@pytest.fixture
def two_months(tmp_path: Path) -> Path:
    publish_sample_sets(tmp_path, {SET: samples(m2025_09=40, m2025_12=25)})
    return tmp_path


def test_the_sets_are_those_of_the_contract() -> None:
    assert SET in SAMPLE_SETS
    assert not TABLES[SET].published  # no table of the database: Parquet alone


def test_a_folder_a_month(two_months: Path) -> None:
    assert sorted(bytes_below(two_months)) == [
        f"{SET}/month=2025-09/samples.parquet",
        f"{SET}/month=2025-12/samples.parquet",
    ]
    files = publish_sample_sets(two_months, {SET: samples(m2025_09=40, m2025_12=25)})
    assert {path.relative_to(two_months).as_posix() for path in files[SET]} == set(bytes_below(two_months))


def test_the_columns_are_as_declared(two_months: Path) -> None:
    part = pl.read_parquet(two_months / SET / "month=2025-09" / "samples.parquet", hive_partitioning=False)
    assert dict(part.schema) == polars_schema(TABLES[SET])
    assert part.height == 40


def test_equal_samples_give_equal_bytes_in_any_order(tmp_path: Path) -> None:
    rows = samples(m2025_09=3000, m2025_12=25)
    publish_sample_sets(tmp_path / "1", {SET: rows})
    shuffled = pl.concat([rows.sample(fraction=1.0, shuffle=True, seed=3)[:100], rows.head(0)], rechunk=False)
    rest = rows.join(shuffled, on=["sample_set_id", "line"], how="anti").reverse()
    publish_sample_sets(tmp_path / "2", {SET: pl.concat([shuffled, rest], rechunk=False)})
    assert bytes_below(tmp_path / "1") == bytes_below(tmp_path / "2")


def test_a_month_without_samples_goes(two_months: Path) -> None:
    (two_months / SET / "month=2025-09" / "left.parquet").write_bytes(b"")
    publish_sample_sets(two_months, {SET: samples(m2025_09=10)})
    assert sorted(bytes_below(two_months)) == [f"{SET}/month=2025-09/samples.parquet"]
    publish_sample_sets(two_months, {SET: samples()})
    assert bytes_below(two_months) == {}


def test_other_folders_stay(two_months: Path) -> None:
    (two_months / "other_set").mkdir()
    (two_months / SET / "notes.txt").write_text("mine", encoding="utf-8")
    publish_sample_sets(two_months, {SET: samples()})
    assert (two_months / "other_set").is_dir() and (two_months / SET / "notes.txt").is_file()


def test_polars_reads_it_by_month(two_months: Path) -> None:
    scan = pl.scan_parquet(two_months / SET / "**" / "*.parquet", hive_partitioning=True)
    counted = scan.group_by("month").agg(n=pl.len()).sort("month").collect()
    assert counted.rows() == [("2025-09", 40), ("2025-12", 25)]
    december = scan.filter(pl.col("month") == "2025-12").collect()
    assert december["sample_set_id"].unique().to_list() == ["run-m2025_12"]


def test_duckdb_reads_it_by_month(two_months: Path) -> None:
    pattern = (two_months / SET).as_posix() + "/**/*.parquet"
    with duckdb.connect(":memory:") as connection:
        rows = connection.execute(
            f"SELECT month, count(*), max(time_s) FROM read_parquet({literal(pattern)}) GROUP BY 1 ORDER BY 1"
        ).fetchall()
        described = connection.execute(f"DESCRIBE FROM read_parquet({literal(pattern)})").fetchall()
    assert rows == [("2025-09", 40, 39 / 50), ("2025-12", 25, 24 / 50)]
    types = {row[0]: row[1] for row in described}
    assert (types["time_s"], types["line"], types["month"]) == ("DOUBLE", "INTEGER", "VARCHAR")


def test_the_descriptor_names_the_set_and_its_files(frames: Frames, two_months: Path) -> None:
    files = publish_sample_sets(two_months, {SET: samples(m2025_09=40, m2025_12=25)})
    tables = [table for table in published_tables() if not table.restricted]
    publish_flat(two_months, tables, in_order(frames), "Example hall", files)
    package = json.loads((two_months / "datapackage.json").read_text(encoding="utf-8"))
    [told] = [entry for entry in package["resources"] if entry["name"] == f"{SET}-parquet"]
    contents = [(two_months / path).read_bytes() for path in told["path"]]
    assert set(told["path"]) == {path for path in bytes_below(two_months) if path.startswith(SET)}
    assert told["hashes"] == [f"sha256:{hashlib.sha256(content).hexdigest()}" for content in contents]
    assert told["bytes"] == sum(map(len, contents))
    assert [field["name"] for field in told["schema"]["fields"]] == list(columns_of(TABLES[SET]))


def test_a_set_without_samples_is_not_in_the_descriptor(frames: Frames, tmp_path: Path) -> None:
    files = publish_sample_sets(tmp_path, {SET: samples()})
    publish_flat(tmp_path, [TABLES["results"]], in_order(frames), "Example hall", files)
    package = json.loads((tmp_path / "datapackage.json").read_text(encoding="utf-8"))
    assert {entry["name"] for entry in package["resources"]} == {"results-parquet", "results-csv"}

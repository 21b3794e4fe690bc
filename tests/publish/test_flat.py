"""Parquet, CSV and their descriptor."""

from __future__ import annotations

import csv
import hashlib
import json
from pathlib import Path
from typing import Any

import duckdb
import polars as pl
from hypothesis import given, settings
from hypothesis import strategies as st

from pipeline.publish.flat import inert, parquet_connection, parquet_writer, publish_flat
from pipeline.publish.frames import in_order, published_tables
from schemas.core import Table
from schemas.ddl import literal
from schemas.tables import TABLES, columns_of

Frames = dict[str, pl.DataFrame]


def _tables() -> list[Table]:
    return [table for table in published_tables() if not table.restricted]


def _publish(frames: Frames, folder: Path) -> dict[str, Any]:
    publish_flat(folder, _tables(), in_order(frames), "Example hall", {})
    package: dict[str, Any] = json.loads((folder / "datapackage.json").read_text(encoding="utf-8"))
    return package


def test_parquet_holds_the_rows_in_types_that_every_reader_knows(frames: Frames, tmp_path: Path) -> None:
    _publish(frames, tmp_path)
    for table in _tables():
        rows = pl.read_parquet(tmp_path / f"{table.name}.parquet")
        assert rows.equals(frames[table.name].sort(table.key)), table.name
    jumps = tmp_path / "jump_trials.parquet"
    with duckdb.connect(":memory:") as connection:
        described = connection.execute(f"DESCRIBE FROM {literal(str(jumps))}").fetchall()
    types = {row[0]: row[1] for row in described}
    assert (types["local_time"], types["performed_at_utc"]) == ("TIME", "TIMESTAMP")


def test_parquet_of_many_row_groups_is_equal_byte_for_byte(tmp_path: Path) -> None:
    ids = pl.DataFrame({"owner_id": [f"{i:07}" for i in range(300_000)]})
    rows = ids.select(pl.lit("results").alias("owner_table"), "owner_id", pl.lit("range_soft").alias("code"))
    in_pieces = pl.concat([rows.head(1000), rows.slice(1000)], rechunk=False)
    for name, frame in (("1", rows), ("2", in_pieces)):
        with parquet_connection() as connection:
            parquet_writer(connection, TABLES["value_flags"], frame)(tmp_path / name)
    assert (tmp_path / "1").read_bytes() == (tmp_path / "2").read_bytes()
    assert pl.read_parquet(tmp_path / "1").equals(rows)


def test_a_csv_cell_is_never_a_formula(frames: Frames, tmp_path: Path) -> None:
    _publish(frames, tmp_path)
    with (tmp_path / "held_rows.csv").open(encoding="utf-8", newline="") as file:
        rows = list(csv.DictReader(file))
    assert [(row["value"], row["reason"], row["remedy"]) for row in rows] == [
        ("", "'@home", "'+"),
        ("'=1+1", '\'-3 is, no "number"', "Answer it."),
    ]
    parquet = pl.read_parquet(tmp_path / "held_rows.parquet")
    assert parquet["value"].to_list() == [None, "=1+1"]


@settings(deadline=None)
@given(st.lists(st.one_of(st.none(), st.text(max_size=8)), max_size=20))
def test_only_texts_that_begin_like_a_formula_change(texts: list[str | None]) -> None:
    frame = pl.DataFrame({"text": texts, "number": [-1.5] * len(texts)}, schema_overrides={"text": pl.String})
    shown = inert(frame)
    for before, after in zip(texts, shown["text"].to_list(), strict=True):
        assert after == ("'" + before if before and before[0] in "=+-@\t\r" else before)
    assert shown["number"].equals(frame["number"])


def test_csv_is_utf8_with_iso_dates_and_plain_line_ends(frames: Frames, tmp_path: Path) -> None:
    _publish(frames, tmp_path)
    lines = (tmp_path / "results.csv").read_bytes().split(b"\n")
    assert lines[0].startswith(b"athlete_id,metric,series_id,session_id,local_date,value,")
    assert lines[1].startswith(b"a1,body_mass,s_mass,x_a1,2026-03-04,70.0,,3,,kg,")
    assert lines[-1] == b"" and b"\r" not in b"".join(lines)
    assert b"g t\xc2\xb2 / 8" in (tmp_path / "metrics.csv").read_bytes()


def test_the_contract_says_which_tables_are_csv(frames: Frames, tmp_path: Path) -> None:
    _publish(frames, tmp_path)
    # Fine print, "Published shapes", of the tables that there are.
    assert {path.stem for path in tmp_path.glob("*.csv")} == {
        "results", "changes", "norms", "norm_percentiles", "against_group", "files", "held_rows", "metrics",
        "series", "flag_codes",
    }  # fmt: skip


def test_the_descriptor_is_true_of_every_file(frames: Frames, tmp_path: Path) -> None:
    package = _publish(frames, tmp_path)
    resources = {entry["path"]: entry for entry in package["resources"]}
    files = {path.name for path in tmp_path.iterdir()} - {"datapackage.json"}
    assert set(resources) == files
    assert len({entry["name"] for entry in package["resources"]}) == len(files)
    for name, entry in resources.items():
        content = (tmp_path / name).read_bytes()
        assert entry["hash"] == f"sha256:{hashlib.sha256(content).hexdigest()}"
        assert entry["bytes"] == len(content)
        fields = entry["schema"]["fields"]
        table = TABLES[Path(name).stem]
        assert [field["name"] for field in fields] == list(columns_of(table))
        assert all(field["description"] for field in fields)
        if name.endswith(".csv"):
            header = content.split(b"\n", 1)[0].decode("utf-8")
            assert header.split(",") == [field["name"] for field in fields]
    height = next(f for f in resources["results.csv"]["schema"]["fields"] if f["name"] == "n_trials")
    assert height["type"] == "integer" and height["unit"] == "count" and height["constraints"]["required"]
    assert resources["norms.parquet"]["schema"]["primaryKey"] == ["week", "population_id", "series_id"]
    # A line may be empty there, and a primary key may not.
    assert "primaryKey" not in resources["held_rows.csv"]["schema"]


def test_files_of_tables_that_are_gone_go_and_other_files_stay(frames: Frames, tmp_path: Path) -> None:
    (tmp_path / "old_table.parquet").write_bytes(b"")
    (tmp_path / "old_table.csv").write_bytes(b"")
    (tmp_path / "notes.txt").write_bytes(b"mine")
    (tmp_path / "samples").mkdir()
    (tmp_path / "samples" / "x.parquet").write_bytes(b"")
    _publish(frames, tmp_path)
    assert not list(tmp_path.glob("old_table.*"))
    assert (tmp_path / "notes.txt").exists() and (tmp_path / "samples" / "x.parquet").exists()

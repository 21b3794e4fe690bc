"""All that is published: what is there, equal bytes, rights, and what is refused."""

from __future__ import annotations

import os
import stat
from datetime import date
from pathlib import Path

import duckdb
import polars as pl
import pytest

from pipeline.publish.publish import PublishReport, publish
from schemas.catalogue import CATALOGUE
from schemas.tables import TABLES

Frames = dict[str, pl.DataFrame]


def published(frames: Frames, people: pl.DataFrame, folder: Path, units: str = "metric") -> PublishReport:
    """Publish with the dates and the catalogue of the made facility."""
    return publish(
        frames,
        people,
        folder,
        as_of=date(2026, 3, 4),
        valid_on=date(2026, 3, 20),
        units=units,
        facility_name="Example & Hall",
        catalogue=CATALOGUE,
    )


def test_the_report_names_every_file_and_counts_every_table(
    frames: Frames, people: pl.DataFrame, tmp_path: Path
) -> None:
    report = published(frames, people, tmp_path)
    found = {path for path in tmp_path.rglob("*") if path.is_file()}
    assert set(report.files) == found
    assert report.rows == {name: frame.height for name, frame in frames.items()}
    assert {path.name for path in tmp_path.iterdir()} == {
        "coach", "people", "restricted", "tables", "yardmark.duckdb", "yardmark.current.txt",
    }  # fmt: skip


def test_equal_rows_give_equal_bytes_whatever_their_order(
    frames: Frames, people: pl.DataFrame, tmp_path: Path
) -> None:
    first = published(frames, people, tmp_path / "1").files
    shuffled = {
        name: pl.concat([frame.slice(frame.height // 2), frame.head(frame.height // 2)], rechunk=False)
        for name, frame in frames.items()
    }
    published(shuffled, people.reverse(), tmp_path / "2")
    for path in first:
        other = tmp_path / "2" / path.relative_to(tmp_path / "1")
        if path.suffix != ".duckdb":
            assert path.read_bytes() == other.read_bytes(), path.name
        else:
            assert _contents(path) == _contents(other)


def _contents(path: Path) -> list[tuple[str, list[tuple[object, ...]]]]:
    with duckdb.connect(path, read_only=True) as connection:
        names = connection.execute("SELECT table_name FROM duckdb_tables() ORDER BY 1").fetchall()
        return [(name, connection.execute(f"FROM {name}").fetchall()) for (name,) in names]


@pytest.mark.skipif(os.name != "posix", reason="the system has no such rights")
def test_names_and_restricted_values_are_for_their_owner_alone(
    frames: Frames, people: pl.DataFrame, tmp_path: Path
) -> None:
    (tmp_path / "people").mkdir(mode=0o755)
    published(frames, people, tmp_path)
    for folder in ("people", "restricted"):
        assert stat.S_IMODE((tmp_path / folder).stat().st_mode) == 0o700
        for path in (tmp_path / folder).iterdir():
            assert stat.S_IMODE(path.stat().st_mode) == 0o600, path


def test_names_are_in_people_and_nowhere_else(frames: Frames, people: pl.DataFrame, tmp_path: Path) -> None:
    published(frames, people, tmp_path)
    rows = pl.read_parquet(tmp_path / "people" / "athletes.parquet")
    assert rows.equals(people.sort("athlete_id"))
    text = (tmp_path / "people" / "athletes.csv").read_text(encoding="utf-8-sig")
    assert text.splitlines() == [
        "athlete_id,name,birth_date",
        "a1,Ana Dahl,2003-01-01",
        "a2,'=Bex Émond,2010-05-01",
        "a3,Cy Orr,",
    ]
    elsewhere = [path for path in tmp_path.rglob("*") if path.is_file() and path.parent.name != "people"]
    assert len(elsewhere) > 20
    assert not [path for path in elsewhere if b"Ana Dahl" in path.read_bytes()]


def test_restricted_tables_are_in_the_restricted_file_alone(
    frames: Frames, people: pl.DataFrame, tmp_path: Path
) -> None:
    published(frames, people, tmp_path)
    restricted = {table.name for table in TABLES.values() if table.restricted}
    assert {name for name, _ in _contents(tmp_path / "restricted" / "yardmark.duckdb")} == restricted
    assert not restricted & {name for name, _ in _contents(tmp_path / "yardmark.duckdb")}
    assert not restricted & {path.stem for path in (tmp_path / "tables").iterdir()}


def test_frames_that_are_not_as_declared_are_refused_before_anything_is_written(
    frames: Frames, people: pl.DataFrame, tmp_path: Path
) -> None:
    results = frames["results"]
    faults = {
        "results holds a number that is not finite, in: value": {
            "results": results.with_columns(value=pl.lit(float("nan")))
        },
        "norms is ": {"norms": frames["norms"].cast({"n_athletes": pl.Int64})},
        "not tables to publish: read_rows": {"read_rows": results},
    }
    for message, fault in faults.items():
        with pytest.raises(ValueError, match=f"^{message}"):
            published(frames | fault, people, tmp_path / "new")
    with pytest.raises(ValueError, match=r"^no rows were handed over for: sessions$"):
        published({k: v for k, v in frames.items() if k != "sessions"}, people, tmp_path / "new")
    assert not (tmp_path / "new").exists()

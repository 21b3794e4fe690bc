"""All that is published: what is there, equal bytes, rights, and what is refused."""

from __future__ import annotations

import os
import stat
from datetime import date
from pathlib import Path
from typing import Any

import duckdb
import polars as pl
import pytest

from pipeline.publish.publish import PublishReport, publish
from schemas.catalogue import CATALOGUE
from schemas.frames import polars_schema
from schemas.tables import TABLES
from tests.metrics.trial_rows import trial_rows
from tests.publish.conftest import told_of

Frames = dict[str, pl.DataFrame]


def published(
    frames: Frames,
    people: pl.DataFrame,
    folder: Path,
    units: str = "metric",
    sample_sets: Frames | None = None,
    words: dict[str, dict[str, str]] | None = None,
) -> PublishReport:
    """Publish with the dates and the catalogue of the made facility."""
    return publish(
        frames,
        told_of(frames),
        people,
        folder,
        as_of=date(2026, 3, 4),
        valid_on=date(2026, 3, 20),
        units=units,
        facility_name="Example & Hall",
        catalogue=CATALOGUE,
        sample_sets=sample_sets or {},
        labels={},
        words=words or {},
    )


def samples_of(**months: str) -> Frames:
    """Two samples of each run, which lies in the month given."""
    schema = {**polars_schema(TABLES["resisted_samples"]), "month": pl.String}
    rows = [
        dict.fromkeys(schema)
        | {"sample_set_id": run, "line": line, "time_s": line / 50, "file_id": "f", "month": month}
        for run, month in months.items()
        for line in (3, 2)
    ]
    return {"resisted_samples": pl.DataFrame(rows, schema=schema)}


def test_the_report_names_every_file_and_counts_every_table(
    frames: Frames, people: pl.DataFrame, tmp_path: Path
) -> None:
    report = published(frames, people, tmp_path, sample_sets=samples_of(r1="2026-01", r2="2026-02"))
    found = {path for path in tmp_path.rglob("*") if path.is_file()}
    assert set(report.files) == found
    assert report.rows == {name: frame.height for name, frame in frames.items()}
    assert {path.name for path in tmp_path.iterdir()} == {
        "coach", "people", "restricted", "tables", "yardmark.duckdb", "yardmark.current.txt",
    }  # fmt: skip


def test_equal_rows_give_equal_bytes_whatever_their_order(
    frames: Frames, people: pl.DataFrame, tmp_path: Path
) -> None:
    samples = samples_of(r1="2026-01", r2="2026-02")
    first = published(frames, people, tmp_path / "1", sample_sets=samples).files
    shuffled = {
        name: pl.concat([frame.slice(frame.height // 2), frame.head(frame.height // 2)], rechunk=False)
        for name, frame in frames.items()
    }
    mixed = {name: frame.reverse() for name, frame in samples.items()}
    published(shuffled, people.reverse(), tmp_path / "2", sample_sets=mixed)
    for path in first:
        other = tmp_path / "2" / path.relative_to(tmp_path / "1")
        if path.suffix != ".duckdb":
            assert path.read_bytes() == other.read_bytes(), path.name
        else:
            assert _contents(path) == _contents(other)


def test_coaches_read_the_facilitys_words_and_the_tables_have_its_keys(
    frames: Frames, people: pl.DataFrame, tmp_path: Path
) -> None:
    published(frames, people, tmp_path, words={"sport": {"rowing": "Rowers"}})
    groups = pl.read_csv(tmp_path / "coach" / "norms.csv")["group"].unique().to_list()
    assert "Rowers" in groups and not any("rowing" in group for group in groups)
    with duckdb.connect(tmp_path / "yardmark.duckdb", read_only=True) as connection:
        found = connection.execute(
            "SELECT DISTINCT sport FROM populations WHERE sport IS NOT NULL"
        ).fetchall()
    assert ("rowing",) in found and ("Rowers",) not in found


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


def test_what_is_said_of_single_athletes_or_minors_bodies_is_in_the_restricted_file_alone(
    frames: Frames, people: pl.DataFrame, tmp_path: Path
) -> None:
    """a2 was 15, a1 22, and nobody knows how old a3 was."""
    folds = [
        {"athlete_id": who, "row_id": f"fold-{who}", "site": "triceps", "thickness_mm": 9.5}
        for who in ("a1", "a2", "a3")
    ]
    events: list[dict[str, Any]] = [
        {"event_id": "e1", "squad": "first", "kind": "block", "from_date": date(2026, 1, 5)},
        {"event_id": "e2", "athlete_id": "a1", "kind": "injury", "from_date": date(2026, 2, 1)},
    ]
    more = {
        "skinfold_readings": trial_rows("skinfold_readings", *folds),
        "events": pl.DataFrame(events, schema=polars_schema(TABLES["events"])),
    }
    report = published(frames | more, people, tmp_path)
    assert (report.rows["events"], report.rows["skinfold_readings"]) == (2, 3)
    apart = dict(_contents(tmp_path / "restricted" / "yardmark.duckdb"))
    assert set(apart) == {"events", "restricted_periods", "returns", "skinfold_readings"}
    assert [row[0] for row in apart["events"]] == ["e2"]
    assert [row[0] for row in apart["skinfold_readings"]] == ["fold-a2", "fold-a3"]
    open_to_all = dict(_contents(tmp_path / "yardmark.duckdb"))
    assert [row[0] for row in open_to_all["events"]] == ["e1"]
    assert [row[0] for row in open_to_all["skinfold_readings"]] == ["fold-a1"]
    flat = pl.read_parquet(tmp_path / "tables" / "skinfold_readings.parquet")
    assert flat["row_id"].to_list() == ["fold-a1"]


def test_what_happened_to_each_line_stays_in_the_warehouse(
    frames: Frames, people: pl.DataFrame, tmp_path: Path
) -> None:
    assert "line_fates" in TABLES
    assert "line_fates" not in frames
    published(frames, people, tmp_path)
    assert "line_fates" not in {name for name, _ in _contents(tmp_path / "yardmark.duckdb")}
    assert not list(tmp_path.rglob("line_fates*"))


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

"""All questions of the demo answered in its sheets: what was held is released, and a rebuild remembers it."""

from __future__ import annotations

import csv
import io
from pathlib import Path

import duckdb
import pytest

from tests.end_to_end.conftest import Shared
from tests.end_to_end.runs import copy_of, done, tables_of

VALID_ON = ("--valid-on", "2026-02-01")
ANSWERS = {
    "bad_bytes": "drop",
    "too_few_fields": "drop",
    "open_quote": "drop",
    "out_of_range": "520",
    "not_a_number": "1,135",
    "bad_date": "11/03/2025",
    "not_in_map": "drop_jump",
    "changed_at_source": "ok",
    "ambiguous_name": "a02",
    "unknown_name": "",  # in the sheet of names
    "no_layout": "",  # mended in the layout
}


def fill(sheet: Path) -> None:
    """Write an answer beside every question, as a person with a spreadsheet would."""
    rows = list(csv.DictReader(io.StringIO(sheet.read_text(encoding="utf-8-sig"), newline="")))
    for row in rows:
        if "code" not in row:  # the sheet of names
            row["answer"] = row["guess_1"] if row["name"] == "Ines Carvalhau" else "new"
        elif row["code"] == "key_conflict":
            row["answer"] = "ok" if row["line"] == "7" else "drop"
        else:
            row["answer"] = ANSWERS[row["code"]]
    with sheet.open("w", encoding="utf-8-sig", newline="") as file:
        writer = csv.DictWriter(file, list(rows[0]))
        writer.writeheader()
        writer.writerows(rows)


def mend_layout(folder: Path) -> None:
    """A second layout for the scales, whose column was renamed."""
    layouts = folder / "config" / "layouts"
    text = (layouts / "scales-1-weigh-in.toml").read_text(encoding="utf-8")
    text = text.replace("scales-1-weigh-in", "scales-1-later").replace('"Mass (lb)"', '"Weight"')
    (layouts / "scales-1-later.toml").write_text(text, encoding="utf-8")


@pytest.fixture(scope="module")
def answered(shared: Shared, demo: Path) -> Path:
    """The demo after all its questions were answered and the renamed column was mapped."""

    def make(folder: Path) -> None:
        mine = copy_of(demo, folder / "demo")
        for sheet in sorted((mine / "held").glob("*.csv")):
            fill(sheet)
        report = done("answers", mine, "--json").report
        assert report["answers"]["refused"] == []
        assert report["open"] == {"no_layout": 1}
        mend_layout(mine)
        assert done("retry", mine, "--json").report["open"] == {}
        done("refresh", mine, *VALID_ON)

    return shared("answered", make) / "demo"


def test_nothing_waits_any_more(answered: Path):
    assert done("held", answered, "--json").report["held"] == []
    assert list((answered / "held").glob("*.csv")) == []
    new = (answered / "config" / "new_people.csv").read_text(encoding="utf-8")
    assert "Ewald Brigsund" in new
    before = (answered / "config" / "athletes.csv").read_bytes()
    assert b"Brigsund" not in before


def test_what_was_answered_is_stored(answered: Path):
    jumps, gates, readings = (
        f"SELECT {{}} FROM {table} WHERE local_date = '{{}}' AND {{}}"
        for table in ("jump_trials", "sprint_splits", "body_readings")
    )
    expected = {
        jumps.format("count(*)", "2025-10-20", "athlete_id = 'a10' AND line BETWEEN 41 AND 47"): [(5,)],
        jumps.format("flight_time_s", "2025-10-21", "line = 7"): [(0.52,)],
        jumps.format("flight_time_s", "2025-11-10", "athlete_id = 'a02' AND trial = 12"): [(0.466,)],
        jumps.format("test, round(flight_time_s, 3)", "2025-11-11", "version = 2 AND line = 20"): [
            ("drop_jump", 0.305)
        ],
        gates.format("count(*), min(split_time_s)", "2025-11-11", "line = 11"): [(4, 1.135)],
        gates.format("count(*)", "2025-12-09", "athlete_id = 'a02' AND line IN (8, 9)"): [(8,)],
        readings.format("count(*) > 20", "2025-12-15", "quantity = 'mass'"): [(True,)],
        "SELECT count(*) FROM held_rows WHERE state = 'open'": [(0,)],
    }
    with duckdb.connect(str(answered / "published" / "yardmark.duckdb"), read_only=True) as database:
        for query, rows in expected.items():
            assert database.sql(query).fetchall() == rows, query


def test_a_rebuild_remembers_every_answer(answered: Path, tmp_path: Path):
    again = copy_of(answered, tmp_path / "demo")
    (again / "warehouse" / "yardmark.duckdb").unlink()
    done("rebuild", again, *VALID_ON)
    endings = (".parquet", ".csv", ".json")
    before, after = tables_of(answered, endings), tables_of(again, endings)
    assert [name for name in before.keys() | after.keys() if before.get(name) != after.get(name)] == []


def test_earlier_versions_are_kept(demo: Path):
    """The re-export that was 3 % off, and the trial that a correction calls by its right name."""
    with duckdb.connect(str(demo / "published" / "yardmark.duckdb"), read_only=True) as database:
        rows = database.sql(
            "SELECT cause, version, source_table, superseded_by FROM superseded_rows"
        ).fetchall()
        assert sorted(rows) == [
            ("correction", 1, "jump_trials", "2"),
            ("export", 1, "jump_trials", "2"),
        ]
        old, new = database.sql(
            """SELECT (s.row::JSON->>'flight_time_s')::DOUBLE, t.flight_time_s
               FROM superseded_rows AS s JOIN jump_trials AS t USING (row_id) WHERE cause = 'export'"""
        ).fetchall()[0]
        assert new / old == pytest.approx(1.03, abs=0.005)

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
    ("2025-09-30_jumps.csv", 7): "drop",  # a guest
    ("2025-10-20_jumps.csv", 10): "drop",  # bad bytes
    ("2025-10-20_lifts.csv", 10): "Back squat",
    ("2025-10-21_jumps.csv", 7): "520",
    ("2025-10-22_pescoco.csv", 7): "rotation_right",
    ("2025-10-29_runs.csv", 702): "1.85",
    ("2025-11-10_jumps.csv", 146): "ok",
    ("2025-11-10_jumps.csv", 147): "drop",
    ("2025-11-11_corridas.csv", 11): "1,135",
    ("2025-11-14_jumps_again.csv", 20): "ok",
    ("2025-11-23_hall.csv", 14): "drop",  # too few fields
    ("2025-12-03_pescoco.csv", 12): "drop",  # no torque, and its lever arm is lost
    ("2025-12-03_runs.csv", 4519): "drop",  # too few fields
    ("2025-12-09_corridas.csv", 8): "a02",
    ("2025-12-09_corridas.csv", 9): "a02",
    ("2026-01-12_lifts.csv", 10): "60.0",
    ("2026-01-14_pescoco.csv", 7): "8,35",
    ("dobras_2025-10-09_LQ.csv", 18): "7,4",
    ("results_2025-11-07.csv", 5): "drop",  # its unit is beside it, in a cell that no answer reaches
    ("results_2025-11-07.csv", 141): "broad_jump",
    ("results_2025-12-12.csv", 27): "7:12.4",
    ("run_20260116_174100.csv", 72): "3,599",
    ("vuelos_2025-11-19.csv", 56): "drop_jump",
    ("vuelos_2026-01-21.csv", 63): "21-01-2026 17:32",
    ("weigh-in_2025-09-22.csv", 7): "drop",  # a quote left open
    ("weigh-in_2025-11-03.csv", 7): "11/03/2025",
}
WHO = {"Ines Carvalhau": "", "Duarte Salvatera": "", "Zandwaar, Pieter": "", "'=1+2": "drop"}
SUSPECTED = {"identity_suspect": "a10", "unit_suspect": "convert"}
ELSEWHERE = {"unknown_name", "no_layout"}  # in the sheet of names; mended in the layout


def fill(sheet: Path) -> list[tuple[str, int]]:
    """Write an answer beside every question, as a person with a spreadsheet would; file and line of each."""
    rows = list(csv.DictReader(io.StringIO(sheet.read_text(encoding="utf-8-sig"), newline="")))
    answered = []
    for row in rows:
        if "code" not in row:  # the sheet of names
            row["answer"] = WHO.get(row["name"], "new") or row["guess_1"]
        elif "proposal" in row:  # the sheet of suspected trials
            row["answer"] = SUSPECTED[row["code"]]
        elif row["code"] not in ELSEWHERE:
            answered.append((sheet.name.rsplit(".", 2)[0], int(row["line"])))
            row["answer"] = ANSWERS[answered[-1]]
    with sheet.open("w", encoding="utf-8-sig", newline="") as file:
        writer = csv.DictWriter(file, list(rows[0]))
        writer.writeheader()
        writer.writerows(rows)
    return answered


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
        sheets = sorted((mine / "held").glob("*.csv"))
        assert sorted(asked for sheet in sheets for asked in fill(sheet)) == sorted(ANSWERS)
        report = done("answers", mine, "--json").report
        assert report["answers"]["refused"] == []
        assert report["open"] == {"no_layout": 1}
        mend_layout(mine)
        assert done("retry", mine, "--json").report["open"] == {}
        done("refresh", mine, *VALID_ON)

    return shared("answered", make) / "demo"


def test_nothing_waits_any_more(answered: Path):
    assert done("held", answered, "--json").report["held"] == []
    # A line that was given its athlete is looked at like any other, and one of them asks something.
    assert [sheet.name for sheet in (answered / "held").glob("*.csv")] == ["suspects.csv"]
    with (answered / "held" / "suspects.csv").open(encoding="utf-8-sig", newline="") as asked:
        assert [row["code"] for row in csv.DictReader(asked)] == ["landing_suspect"]
    new = (answered / "config" / "new_people.csv").read_text(encoding="utf-8")
    assert "Ewald Brigsund" in new
    before = (answered / "config" / "athletes.csv").read_bytes()
    assert b"Brigsund" not in before


def test_what_was_answered_is_stored(answered: Path):
    jumps, gates, readings, bars, necks, folds, others, runs = (
        f"SELECT {{}} FROM {table} WHERE local_date = '{{}}' AND {{}}"
        for table in (
            *("jump_trials", "sprint_splits", "body_readings", "bar_reps", "neck_trials"),
            *("skinfold_readings", "other_trials", "resisted_runs"),
        )
    )
    expected = {
        jumps.format("count(*)", "2025-10-20", "athlete_id = 'a10' AND line BETWEEN 41 AND 47"): [(5,)],
        jumps.format("flight_time_s", "2025-10-21", "line = 7"): [(0.52,)],
        jumps.format("athlete_id, flight_time_s, hop", "2025-11-10", "line IN (146, 147)"): [
            ("a54", 0.358, 1)
        ],
        jumps.format("test, round(flight_time_s, 3)", "2025-11-11", "version = 2 AND line = 20"): [
            ("drop_jump", 0.305)
        ],
        gates.format("count(*), min(split_time_s)", "2025-11-11", "line = 11"): [(4, 1.135)],
        gates.format("count(*)", "2025-12-09", "athlete_id = 'a02' AND line IN (8, 9)"): [(8,)],
        readings.format("count(*) > 20", "2025-12-15", "quantity = 'mass'"): [(True,)],
        jumps.format("test, drop_height_m, local_time::VARCHAR", "2026-01-21", "line = 63"): [
            ("drop_jump", 0.2, "17:32:00")
        ],
        jumps.format("test", "2025-11-19", "line = 56 AND drop_height_m IS NOT NULL"): [("drop_jump",)],
        bars.format("athlete_id, lift, rep, load_kg", "2025-10-20", "line = 10"): [
            ("a02", "back_squat", 2, 60.0)
        ],
        bars.format("athlete_id, load_kg", "2026-01-12", "line = 10"): [("a02", 60.0)],
        bars.format("count(*)", "2025-10-06", "athlete_id = 'a01' AND line IN (5, 6, 7, 8)"): [(4,)],
        necks.format("direction", "2025-10-22", "line = 7 AND device = 'neck-1'"): [("rotation_right",)],
        necks.format("round(peak_force_n, 3)", "2026-01-14", "line = 7 AND device = 'neck-1'"): [
            (round(8.35 * 9.80665, 3),)
        ],
        necks.format("count(*)", "2025-10-20", "athlete_id = 'a41' AND line IN (9, 10, 11)"): [(18,)],
        folds.format("round(thickness_mm, 3)", "2025-10-09", "line = 18 AND reading = 1"): [(7.4,)],
        others.format("test, round(value, 5), unit", "2025-11-06", "line = 141"): [
            ("broad_jump", round(72.6 * 0.0254, 5), "m")
        ],
        others.format("value, unit", "2025-12-11", "line = 27"): [(432.4, "s")],
        runs.format("n_samples", "2025-09-19", "athlete_id = 'n02'"): [(271,)],
        jumps.format("athlete_id", "2026-01-12", "line IN (65, 66)"): [("a10",), ("a10",)],
        readings.format("round(value, 6)", "2026-01-19", "athlete_id = 'a31' AND quantity = 'mass'"): [
            (74.7,)
        ],
        # Cells that were mended make their runs whole; the sample that broke off stays lost.
        "SELECT device, local_date::VARCHAR FROM resisted_runs WHERE flags = 'gap'": [
            ("sled-1", "2025-12-03")
        ],
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
    """Re-exports that were 3 % and a third off, and the trial that a correction calls by its right name."""
    with duckdb.connect(str(demo / "published" / "yardmark.duckdb"), read_only=True) as database:
        rows = database.sql(
            "SELECT cause, version, source_table, superseded_by FROM superseded_rows"
        ).fetchall()
        assert sorted(rows) == [
            ("correction", 1, "jump_trials", "2"),
            ("export", 1, "bar_reps", "2"),
            ("export", 1, "jump_trials", "2"),
        ]
        old, new = database.sql(
            """SELECT (s.row::JSON->>'flight_time_s')::DOUBLE, t.flight_time_s
               FROM superseded_rows AS s JOIN jump_trials AS t USING (row_id) WHERE cause = 'export'"""
        ).fetchall()[0]
        assert new / old == pytest.approx(1.03, abs=0.005)
        [(old, new)] = database.sql(
            """SELECT (s.row::JSON->>'load_kg')::DOUBLE, t.load_kg
               FROM superseded_rows AS s JOIN bar_reps AS t USING (row_id)"""
        ).fetchall()
        assert new / old == pytest.approx(4 / 3, abs=0.005)

"""What screening finds in the demo is what was planted there, and nothing else."""

from __future__ import annotations

from pathlib import Path

import duckdb

from pipeline.analysis.screening.levels import OWN_CODES
from tests.end_to_end.conftest import Made
from tests.end_to_end.runs import done
from tests.end_to_end.test_faults import STORED
from tests.end_to_end.truth import read_truth


def test_the_planted_trials_are_suspected_and_no_others(made_demo: Made) -> None:
    with duckdb.connect(
        str(made_demo.facility / "warehouse" / "yardmark.duckdb"), read_only=True
    ) as database:
        found = database.execute(
            f"""SELECT path, line, code FROM ({STORED}) AS s JOIN value_flags AS f ON f.owner_id = s.row_id
                JOIN _drops AS d ON s.file_id = d.file_id[:16]
                WHERE code IN ('identity_suspect', 'unit_suspect')"""
        ).fetchall()
        days = database.execute(
            """SELECT DISTINCT s.method, m.local_date::VARCHAR FROM measurements AS m
               JOIN series AS s USING (series_id) JOIN value_flags AS f ON f.owner_id = m.measurement_id
               WHERE code = 'session_shift'"""
        ).fetchall()
        codes = database.execute("SELECT DISTINCT code FROM value_flags").fetchall()
    planted = read_truth(made_demo.truth, "faults").select("file", "line", "code")
    suspected = {row for row in planted.iter_rows() if row[2] in ("identity_suspect", "unit_suspect")}
    assert set(found) == suspected and len(suspected) == 3
    assert days == [("gates-1", "2026-01-22")]
    assert {code for (code,) in codes} & set(OWN_CODES) == {
        "identity_suspect",
        "unit_suspect",
        "session_shift",
    }


def test_trial_rows_show_what_was_found_of_them(demo: Path) -> None:
    with duckdb.connect(str(demo / "published" / "yardmark.duckdb"), read_only=True) as database:
        jumps = database.execute(
            "SELECT count(*) FROM jump_trials WHERE flags = 'identity_suspect'"
        ).fetchone()
        values = database.execute(
            "SELECT bool_or(used), count(*) FROM measurements WHERE contains(flags, 'identity_suspect')"
        ).fetchone()
    assert jumps == (2,) and values is not None and values[0] is False and values[1] >= 4


def test_held_lists_the_questions(demo_copy: Path) -> None:
    said = done("held", demo_copy)
    assert "Trials that wait for an answer" in said.out and "like Inês Carvalhal (a10)" in said.out
    asked = done("held", demo_copy, "--json").report["suspects"]
    assert [one["code"] for one in asked] == ["identity_suspect", "unit_suspect"]

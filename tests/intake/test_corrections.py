"""config/corrections.csv: strike, move, relabel, supply, and taking back a whole file."""

from __future__ import annotations

from datetime import datetime
from pathlib import Path

import polars as pl
import pytest

from tests.intake.facility_maker import Hall, file_id, run, runs

FIRST = runs(run(), run(trial=2, split="1.90"), run("João Sá", split="2.00"))


@pytest.fixture(scope="module")
def made(tmp_path_factory: pytest.TempPathFactory) -> Hall:
    hall = Hall(tmp_path_factory.mktemp("made"))
    hall.take(("gates-1/a.csv", FIRST))
    return hall


@pytest.fixture
def hall(made: Hall, tmp_path: Path) -> Hall:
    return Hall.copy_of(made, tmp_path)


def line(number: int, action: str, field: str = "", value: str = "", data: str = FIRST) -> str:
    return f"2025-04-01,me,why,,{file_id(data)},{number},,,,,{action},{field},{value}"


def test_strike_takes_the_row_out_and_keeps_its_version(hall: Hall) -> None:
    hall.correct(line(3, "strike"))
    hall.take_in()
    assert hall.values() == [("a01", 1.83), ("a02", 2.0)]
    old = hall.table("superseded_rows").row(0, named=True)
    assert (old["version"], old["cause"], old["superseded_by"]) == (1, "strike", None)
    # Corrected before the file was even written: never before it was known.
    assert old["known_until"] == old["known_from"]
    hall.correct(line(3, "strike").replace("2025", "2100", 1))
    hall.take_in()
    assert hall.table("superseded_rows")["known_until"].to_list() == [datetime(2100, 4, 1)]
    assert hall.counts() == [{"loaded": 3}]


def test_a_struck_row_stays_out_whatever_is_exported_later(hall: Hall) -> None:
    hall.correct(line(3, "strike"))
    hall.take(("gates-1/b.csv", runs(run(trial=2, split="1.90"), run(trial=3))))
    assert hall.counts()[-1] == {"repeated": 1, "loaded": 1}
    assert hall.values() == [("a01", 1.83), ("a01", 1.83), ("a02", 2.0)]
    hall.take(("gates-1/c.csv", runs(run(trial=2, split="1.902"))))
    hall.take(("gates-1/d.csv", runs(run(trial=2, split="1.95"))))
    assert hall.values() == [("a01", 1.83), ("a01", 1.83), ("a02", 2.0)]
    versions = hall.table("superseded_rows").sort("version").select("version", "cause").rows()
    assert versions == [(1, "finer_value"), (2, "export"), (3, "strike")]


def test_move_gives_the_row_to_another_and_the_session_follows(hall: Hall) -> None:
    before = hall.table("sprint_splits").sort("line")
    hall.correct(line(2, "move", "", "a03"))
    hall.take_in()
    after = hall.table("sprint_splits").sort("line")
    assert after["athlete_id"].to_list() == ["a03", "a01", "a02"]
    assert after["row_id"].equals(before["row_id"])
    assert after["version"].to_list() == [2, 1, 1]
    assert after["session_id"][0] not in before["session_id"]
    assert after["session_id"][0] in hall.table("_session_slots")["session_id"]
    old = hall.table("superseded_rows").row(0, named=True)
    assert (old["cause"], old["superseded_by"]) == ("correction", "2")
    assert '"athlete_id":"a01"' in old["row"]
    # The export goes on saying the old athlete, and that changes nothing.
    hall.take(("gates-1/b.csv", runs(run(), run(trial=9))))
    assert hall.counts()[-1] == {"repeated": 1, "loaded": 1}
    assert hall.values()[0] == ("a01", 1.83) and ("a03", 1.83) in hall.values()


def test_relabel_and_supply_by_athlete_date_and_trial(hall: Hall) -> None:
    hall.correct(
        "2025-04-01,me,why,,,,a01,2025-03-01,,1,relabel,,change_of_direction",
        "2025-04-02,me,why,gates-1,,,a01,2025-03-01,linear_sprint,2,supply,start_offset_m,0.5",
        "2025-04-02,me,why,gates-1,,,a01,2025-03-02,linear_sprint,2,supply,start_offset_m,0.9",
    )
    hall.take_in()
    rows = hall.table("sprint_splits").sort("line").select("test", "start_offset_m", "version").rows()
    assert rows == [("change_of_direction", None, 2), ("linear_sprint", 0.5, 2), ("linear_sprint", None, 1)]


def test_a_value_supplied_by_line_survives_a_later_export(hall: Hall) -> None:
    hall.correct(line(2, "supply", "split_time_s", "1.80"), line(2, "supply", "shoes", "spikes"))
    hall.take(("gates-1/b.csv", runs(run(split="1.84"))))
    row = hall.table("sprint_splits").filter(pl.col("athlete_id") == "a01", pl.col("trial") == 1)
    assert row.select("split_time_s", "shoes", "version").rows() == [(1.8, "spikes", 4)]
    assert hall.table("superseded_rows")["cause"].to_list() == ["export", "correction", "correction"]


def test_taking_a_correction_back_undoes_it(hall: Hall) -> None:
    before = hall.tables()
    hall.correct(line(3, "strike"), line(2, "move", "", "a03"))
    hall.take_in()
    hall.correct()
    hall.take_in()
    for name, frame in hall.tables().items():
        assert frame.equals(before[name]), name


def test_a_withdrawn_file_counts_no_more(hall: Hall) -> None:
    wrong = runs(run(split="1.80"), run(trial=7), run("Nobody", trial=8), run(trial=9, split="x"))
    hall.take(("gates-1/wrong.csv", wrong))
    assert hall.values()[0] == ("a01", 1.80)
    hall.correct(f"2100-04-01,me,wrong settings,,{file_id(wrong)},,,,,,strike,,")
    hall.take_in()
    # What it superseded is true again; what it alone said is gone; what it asked is asked no more.
    assert hall.values() == [("a01", 1.83), ("a01", 1.90), ("a02", 2.0)]
    old = hall.table("superseded_rows")
    assert old["cause"].to_list() == ["strike", "strike"]
    assert old["known_until"].to_list() == [datetime(2100, 4, 1)] * 2
    assert {state for _, _, state in hall.held()} == {"answered"}
    assert not list((hall.folder / "held").glob("*.csv"))
    # The same bytes again stay out.
    hall.take(("gates-1/wrong.csv", wrong))
    assert hall.counts()[-1] == {"repeated": 4}
    assert hall.values() == [("a01", 1.83), ("a01", 1.90), ("a02", 2.0)]


def test_a_good_export_takes_the_place_of_a_withdrawn_one(hall: Hall) -> None:
    hall.correct(f"2025-04-01,me,some lines wrong,,{file_id(FIRST)},,,,,,strike,,")
    hall.take(("gates-1/good.csv", runs(run(), run(trial=2, split="1.91"))))
    assert hall.counts()[-1] == {"loaded": 2}
    assert hall.values() == [("a01", 1.83), ("a01", 1.91)]
    assert hall.table("sprint_splits")["version"].to_list() == [2, 2]


def test_a_correction_that_names_nothing_of_the_family_meets_nothing(hall: Hall) -> None:
    before = hall.table("sprint_splits")
    hall.correct(
        "2025-04-01,me,why,,,,a01,2025-03-01,,,supply,flight_time_s,0.5",
        "2025-04-01,me,why,mat-1,,,a01,2025-03-01,,,strike,,",
        f"2025-04-01,me,why,,{'0' * 16},2,,,,,strike,,",
        # A squat can be done with both legs; of a sprint the word says nothing.
        "2025-04-01,me,why,,,,a01,2025-03-01,,,supply,side,both",
        "2025-04-01,me,why,,,,a01,2025-03-01,,,relabel,,squat_jump",
    )
    hall.take_in()
    assert hall.table("sprint_splits").equals(before)

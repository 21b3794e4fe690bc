"""Suspected trials: asked in held/suspects.csv, answered by command or by dropping the sheet, remembered."""

from __future__ import annotations

import csv
from datetime import date, timedelta
from pathlib import Path

import polars as pl
import pytest

from pipeline.analysis.screening.questions import places_of, places_text
from pipeline.intake.answers import read_answers
from pipeline.intake.suspects import Subject
from pipeline.run import Run, run_steps
from pipeline.steps import refresh_steps
from tests.intake.facility_maker import JUMPS_HEADER, WEIGHTS_HEADER, Hall, fill, quiet

DAYS = [date(2025, 3, 3) + timedelta(days=7 * week) for week in range(6)]
WRONG = DAYS[-1]


def jumps(day: date, wrong: bool) -> str:
    """Three jumps each of Ana and João; where it went wrong, João's first two are filed under Ana."""
    his = "Ana Prado" if wrong else "João Sá"
    done = [("Ana Prado", 500), ("Ana Prado", 504), ("Ana Prado", 497), (his, 640), (his, 644)]
    done += [("João Sá", 636), ("Mia Lund", 561), ("Mia Lund", 557)]
    return JUMPS_HEADER + "".join(
        f"{written},{day} 10:{at:02d}:00,{flight + at % 3 + day.day % 4}\n"
        for at, (written, flight) in enumerate(done)
    )


def weights(day: date, kg: str, unit: str = "kg") -> str:
    return WEIGHTS_HEADER + f"Ana Prado;{day};weight;{kg};{unit}\nMia Lund;{day};weight;70,0;kg\n"


def refresh(hall: Hall) -> None:
    run_steps(Run(hall.facility, quiet, WRONG), refresh_steps())


@pytest.fixture(scope="module")
def made(tmp_path_factory: pytest.TempPathFactory) -> Hall:
    hall = Hall(tmp_path_factory.mktemp("made"))
    files = [(f"mat-1/{day}.csv", jumps(day, day == WRONG)) for day in DAYS]
    kilograms = ["60,1", "59,8", "60,4", "60,2", "60,0"]
    files += [(f"scales-1/{day}.csv", weights(day, kg)) for day, kg in zip(DAYS, kilograms, strict=False)]
    hall.take(*files, (f"scales-1/{WRONG}.csv", weights(WRONG, "132,7")))  # pounds, written as kilograms
    refresh(hall)
    return hall


@pytest.fixture
def hall(made: Hall, tmp_path: Path) -> Hall:
    return Hall.copy_of(made, tmp_path)


def sheet(hall: Hall) -> list[dict[str, str]]:
    path = hall.folder / "held" / "suspects.csv"
    if not path.exists():
        return []
    with path.open(encoding="utf-8-sig", newline="") as stream:
        return list(csv.DictReader(stream))


def used(hall: Hall, metric: str = "jump_height", athlete: str = "a01") -> int:
    """How many values of the last day count."""
    mine = (pl.col("metric") == metric) & (pl.col("athlete_id") == athlete) & (pl.col("local_date") == WRONG)
    return hall.table("measurements").filter(mine & pl.col("used")).height


def answer(hall: Hall, row: int, said: str) -> None:
    report = hall.answer(fill(hall.folder / "held" / "suspects.csv", {row: said}))
    assert report.answering is not None
    assert report.answering.refused == [] and report.answering.taken == 1
    refresh(hall)


@pytest.mark.mode(4, 7)
def test_the_two_are_asked_with_the_best_guess_and_left_out_until_answered(hall: Hall) -> None:
    whose, unit = sheet(hall)
    assert whose["code"] == "identity_suspect" and whose["athlete"] == "Ana Prado (a01)"
    assert whose["proposal"] == "like João Sá (a02)" and whose["seen"].startswith("2 trial(s)")
    assert whose["time"] == "10:03 to 10:04"
    assert unit["code"] == "unit_suspect" and unit["proposal"].startswith("convert: 2.2046 times")
    assert unit["seen"].endswith(" kg") and unit["proposal"].endswith(" kg when converted")
    assert used(hall) == 3 and used(hall, athlete="a02") == 1 and used(hall, "body_mass") == 0
    last = hall.table("results").filter(metric="body_mass", athlete_id="a01", local_date=WRONG)
    assert last.is_empty()


@pytest.mark.mode(4)
def test_the_right_athlete_gets_the_trials(hall: Hall) -> None:
    answer(hall, 0, "a02")
    assert used(hall) == 3 and used(hall, athlete="a02") == 3
    assert [row["code"] for row in sheet(hall)] == ["unit_suspect"]
    old = hall.table("superseded_rows").filter(pl.col("cause") == "correction")
    assert old.height == 2 and set(old["row"].str.json_path_match("$.athlete_id")) == {"a01"}


@pytest.mark.parametrize("said", ["ok", "Ana Prado (a01)"])
def test_it_was_her_after_all(hall: Hall, said: str) -> None:
    answer(hall, 0, said)
    assert hall.table("superseded_rows").is_empty()
    mine = hall.table("measurements").filter(metric="jump_height", athlete_id="a01", local_date=WRONG)
    assert mine.sort("value")["used"].to_list()[-2:] == [True, True]
    assert not mine["flags"].str.contains("identity_suspect").any()
    refresh(hall)
    assert [row["code"] for row in sheet(hall)] == ["unit_suspect"]


def test_what_was_right_is_not_asked_again_when_another_export_says_the_same(hall: Hall) -> None:
    answer(hall, 0, "ok")
    finer = jumps(WRONG, True).replace(",646", ",645.9")
    hall.take(("mat-1/again.csv", finer))
    refresh(hall)
    assert [row["code"] for row in sheet(hall)] == ["unit_suspect"]


def test_dropped_trials_are_struck(hall: Hall) -> None:
    answer(hall, 0, "drop")
    assert used(hall) == 3 and used(hall, athlete="a02") == 1
    assert hall.table("superseded_rows")["cause"].to_list() == ["strike", "strike"]
    assert hall.counts()[-1].get("held") is None


@pytest.mark.mode(7)
def test_pounds_become_kilograms(hall: Hall) -> None:
    answer(hall, 1, "convert")
    mine = hall.table("body_readings").filter(athlete_id="a01", local_date=WRONG)
    assert mine["value"].to_list() == [pytest.approx(132.7 * 0.45359237, rel=1e-6)]
    assert used(hall, "body_mass") == 1 and mine["version"].to_list() == [2]
    others = hall.table("body_readings").filter(athlete_id="a03")["value"].unique().to_list()
    assert others == [70.0]


def test_a_heavy_day_can_be_true(hall: Hall) -> None:
    answer(hall, 1, "ok")
    assert used(hall, "body_mass") == 1
    assert [row["code"] for row in sheet(hall)] == ["identity_suspect"]


def test_answers_that_make_no_sense_are_refused_by_line(hall: Hall) -> None:
    path = fill(hall.folder / "held" / "suspects.csv", {0: "convert", 1: "a02"})
    answering = hall.answer(path).answering
    assert answering is not None and answering.taken == 0
    assert "line 2: 'convert' does not answer identity_suspect" in answering.refused[0]
    assert "expected: ok, drop, convert" in answering.refused[1]
    assert len(sheet(hall)) == 2 and sheet(hall)[0]["answer"] == "convert"  # still there to be corrected


def test_a_sheet_dropped_in_the_inbox_counts_and_a_second_time_is_told(hall: Hall) -> None:
    filled = fill(hall.folder / "held" / "suspects.csv", {0: "a02"}, hall.folder / "filled.csv")
    report = hall.take(("anywhere/filled.csv", filled.read_bytes()))
    assert report.answering is not None and report.answering.taken == 1
    assert [row["code"] for row in sheet(hall)] == ["unit_suspect"]
    again = hall.answer(filled).answering
    assert again is not None and again.taken == 0 and "no longer asked" in again.refused[0]


def test_a_rebuild_comes_to_the_same(hall: Hall) -> None:
    answer(hall, 0, "a02")
    answer(hall, 0, "convert")
    names = ("measurements", "results", "superseded_rows", "value_flags")
    before = {name: hall.table(name) for name in names}
    hall.file.unlink()
    hall.take_in()
    refresh(hall)
    for name, frame in before.items():
        assert frame.equals(hall.table(name)), name


def test_subjects_and_places_are_read_back() -> None:
    places = [("a" * 16, 4), ("a" * 16, 5), ("a" * 16, 6), ("a" * 16, 9), ("b" * 16, 2)]
    text = places_text(places)
    assert text == "a" * 16 + ":4-6,9;" + "b" * 16 + ":2"
    assert places_of(text) == {"a" * 16: [4, 5, 6, 9], "b" * 16: [2]}
    subject = Subject("unit_suspect", text, "value", "mass", "0.4536")
    assert Subject.of(str(subject)) == subject and Subject.of(f"identity_suspect|{text}").field == ""
    for wrong in ("", "abc:1", "a" * 16 + ":x", "a" * 16 + ":"):
        with pytest.raises(ValueError, match="names no lines"):
            places_of(wrong)


def test_answers_say_who_and_when(hall: Hall) -> None:
    answer(hall, 0, "ok")
    [kept] = read_answers(hall.facility.config)
    assert kept.kind == "suspect" and kept.by and kept.answer == "ok"
    of_that_day = hall.table("jump_trials").filter(local_date=WRONG)
    assert set(Subject.of(kept.subject).lines) == set(of_that_day["file_id"])

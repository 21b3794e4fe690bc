"""Trials perhaps filed as another test: asked in held/suspects.csv, and what each answer comes to."""

from __future__ import annotations

from datetime import date, timedelta
from pathlib import Path

import polars as pl
import pytest

from tests.intake.facility_maker import Hall, fill
from tests.intake.test_suspects import refresh, sheet

LAYOUT = """
layout = "mat"
family = "contact_mat"
device = "mat-1"
[match]
folder = "mat-1"
[columns.athlete]
from = "Name"
[columns.performed_at]
from = "At"
format = "%Y-%m-%d %H:%M:%S"
[columns.test]
from = "Test"
map = { SJ = "squat_jump", CMJ = "countermovement_jump" }
[columns.hands]
value = "hips"
[columns.flight_time_s]
from = "Flight"
unit = "ms"
"""
DAYS = [date(2025, 3, 3) + timedelta(days=7 * week) for week in range(6)]
WRONG = DAYS[-1]


def export(day: date, jumps: list[tuple[str, int]]) -> str:
    lines = [f"Ana Prado,{day} 10:{at:02d}:00,{test},{ms + at % 3}" for at, (test, ms) in enumerate(jumps)]
    return "Name,At,Test,Flight\n" + "\n".join(lines) + "\n"


RIGHT = [("SJ", 480), ("SJ", 482), ("CMJ", 510), ("CMJ", 512), ("CMJ", 511)]
SWAPPED = [("CMJ", 480), ("CMJ", 482), ("SJ", 510), ("SJ", 512), ("SJ", 511)]
ARMS = [("SJ", 480), ("SJ", 482), ("CMJ", 572), ("CMJ", 574), ("CMJ", 573)]
BENT = [("SJ", 480), ("SJ", 482), ("CMJ", 600), ("CMJ", 512), ("CMJ", 511)]


def hall_of(folder: Path, last: list[tuple[str, int]]) -> Hall:
    hall = Hall(folder, {"mat": LAYOUT})
    days = [(day, RIGHT) for day in DAYS[:-1]] + [(WRONG, last)]
    hall.take(*((f"mat-1/{day}.csv", export(day, jumps)) for day, jumps in days))
    refresh(hall)
    return hall


def say(hall: Hall, said: str) -> list[str]:
    report = hall.answer(fill(hall.folder / "held" / "suspects.csv", {0: said}))
    assert report.answering is not None
    refresh(hall)
    return report.answering.refused


def last_day(hall: Hall, column: str) -> list[object]:
    rows = hall.table("jump_trials").filter(pl.col("local_date") == WRONG)
    return rows.sort("performed_at_utc")[column].to_list()


@pytest.mark.mode(22)
def test_two_tests_mixed_up_are_asked_and_swapped(tmp_path: Path) -> None:
    hall = hall_of(tmp_path, SWAPPED)
    (asked,) = sheet(hall)
    assert (asked["code"], asked["athlete"], asked["date"]) == ("test_suspect", "Ana Prado (a01)", str(WRONG))
    assert (
        asked["proposal"].startswith("swap: squat_jump and countermovement_jump")
        and "5 trial" in asked["seen"]
    )
    assert say(hall, "free") != []
    assert say(hall, "swap") == [] and sheet(hall) == []
    tests = ["squat_jump"] * 2 + ["countermovement_jump"] * 3
    assert last_day(hall, "test") == tests and last_day(hall, "version") == [2] * 5
    values = hall.table("measurements").filter(metric="jump_height", local_date=WRONG)
    assert values["flags"].null_count() == 5


@pytest.mark.mode(22)
def test_what_was_right_is_not_asked_again(tmp_path: Path) -> None:
    hall = hall_of(tmp_path, SWAPPED)
    assert say(hall, "ok") == [] and sheet(hall) == []
    assert last_day(hall, "test") == ["countermovement_jump"] * 2 + ["squat_jump"] * 3
    assert set(hall.table("value_flags")["code"]).isdisjoint({"test_suspect"})


@pytest.mark.mode(29)
def test_arms_that_were_free_are_said_so(tmp_path: Path) -> None:
    hall = hall_of(tmp_path, ARMS)
    (asked,) = sheet(hall)
    assert asked["code"] == "protocol_suspect" and asked["proposal"] == "free: the arms were free"
    assert say(hall, "free") == [] and sheet(hall) == []
    assert last_day(hall, "hands") == ["hips"] * 2 + ["free"] * 3


@pytest.mark.mode(28)
def test_a_landing_on_bent_knees_is_dropped(tmp_path: Path) -> None:
    hall = hall_of(tmp_path, BENT)
    (asked,) = sheet(hall)
    assert asked["code"] == "landing_suspect" and asked["proposal"] == "" and "1 trial" in asked["seen"]
    assert say(hall, "swap") != []
    assert say(hall, "drop") == [] and sheet(hall) == []
    assert len(last_day(hall, "test")) == 4

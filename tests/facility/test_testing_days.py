"""config/testing_days.csv: who is planned, who was away, and what is wrong with a line."""

from __future__ import annotations

from datetime import date
from pathlib import Path

import polars as pl

from pipeline.facility.folder import check_facility, load_facility
from pipeline.facility.testing_days import absent, planned
from tests.intake.facility_maker import Hall

PERIODS = """athlete_id,from,until,squad,sport,position,competition_level,status
a01,,,Juniors|Camp,,,,
a02,2025-03-02,,Juniors,,,,
a03,,,Juniors,,,,paused
"""


def hall(folder: Path, days: str, events: str = "") -> Hall:
    made = Hall(folder)
    made.write("testing_days.csv", "date,squad,athlete_id,test,trials,attended\n" + days)
    made.write("athlete_periods.csv", PERIODS)
    made.write("events.csv", "athlete_id,squad,kind,label,from,until\n" + events)
    return made


def test_a_squad_stands_for_whoever_is_in_it_that_day(tmp_path: Path) -> None:
    days = "2025-03-01,Juniors,,mass,,\n2025-03-02,Juniors,,mass,,\n2025-03-02,,a01,mass,3,\n"
    facility = load_facility(hall(tmp_path, days).folder)
    told = planned(facility.testing_days, facility.periods, facility.athletes)
    assert told.select("local_date", "athlete_id", "trials").rows() == [
        (date(2025, 3, 1), "a01", 1),
        (date(2025, 3, 2), "a01", 3),  # named alone as well: that counts
        (date(2025, 3, 2), "a02", 1),
    ]


def test_who_was_away(tmp_path: Path) -> None:
    days = "2025-03-01,,a01,mass,,no\n2025-03-01,,a02,mass,,yes\n2025-03-01,Juniors,,mass,,no\n"
    events = (
        "a04,,break,abroad,2025-03-01,2025-03-03\na05,,injury,knee,2025-03-01,\n,Juniors,break,,2025-03-01,\n"
    )
    facility = load_facility(hall(tmp_path, days, events).folder)
    away = absent(facility.testing_days, facility.events)
    march = [date(2025, 3, day) for day in (1, 2, 3)]
    assert away.rows() == [("a01", march[0]), *(("a04", day) for day in march)]


def test_an_open_break_ends_within_a_year(tmp_path: Path) -> None:
    facility = load_facility(hall(tmp_path, "", "a04,,break,abroad,2025-03-01,2099-01-01\n").folder)
    away = absent(facility.testing_days, facility.events)
    assert away.filter(pl.col("local_date") > date(2026, 3, 1)).is_empty() and away.height == 366


def test_mistakes_are_told_by_line(tmp_path: Path) -> None:
    days = (
        "2025-03-01,,,mass,,\n2025-03-01,Juniors,a01,mass,,\n2025-03-01,,a99,mass,,\n"
        "2025-03-01,,a01,mas,0,\n2025-03-01,,a01,,,perhaps\n,,a01,,,\n"
    )
    found = check_facility(hall(tmp_path, days).folder)
    told = {(one.line, one.key, one.severity) for one in found if "testing_days" in one.file}
    assert told == {
        (2, "squad", "mistake"), (3, "squad", "mistake"), (4, "athlete_id", "mistake"), (5, "test", "look"),
        (5, "trials", "mistake"), (6, "attended", "mistake"), (7, "date", "mistake"),
    }  # fmt: skip

"""What today's sheet reads: the last sessions of those tested that day, and nothing else."""

from __future__ import annotations

import random
from datetime import date, datetime, timedelta
from pathlib import Path

import polars as pl
import pytest

from pipeline.todays_rows import LOOK_BACK, SESSIONS, what_today_needs
from schemas.tables import TRIAL_TABLES
from tests.intake.facility_maker import JUMPS_HEADER, WEIGHTS_HEADER, Hall, run, runs

DAY = date(2025, 3, 1)


def back(days: int) -> date:
    return DAY - timedelta(days=days)


def jump(athlete: str, day: date, clock: str = "09:00:00") -> str:
    return f"{athlete},{day} {clock},500\n"


def test_the_last_sessions_of_what_was_tested_and_masses_of_any_age(tmp_path: Path) -> None:
    hall = Hall(tmp_path)
    often = [jump("Ana Prado", back(n)) for n in range(SESSIONS + 5)]
    seldom = [jump("Mia Lund", back(n)) for n in (0, LOOK_BACK.days, LOOK_BACK.days + 1)]
    away, later = jump("João Sá", back(1)), jump("Ana Prado", back(-1))
    hall.take(
        (
            "mat-1/j.csv",
            JUMPS_HEADER + "".join([*often, jump("Anita", DAY, "09:01:00"), *seldom, away, later]),
        ),
        ("gates-1/r.csv", runs(run(date=f"{back(3)}"))),
        ("scales-1/w.csv", WEIGHTS_HEADER + f"Ana Prado;{back(900)};weight;61,5;kg\n"),
    )
    with hall.open() as warehouse:
        seen = what_today_needs(warehouse, DAY)
        slots = warehouse.count("_session_slots")
    jumps = seen["jump_trials"].sort("athlete_id", "performed_at_utc", descending=[False, True])
    wanted = [("a01", DAY), *(("a01", back(n)) for n in range(SESSIONS)), ("a03", DAY), ("a03", back(365))]
    assert jumps.select("athlete_id", "local_date").rows() == wanted
    assert {name: seen[name].height for name in TRIAL_TABLES if seen[name].height} == {
        "body_readings": 1,
        "jump_trials": len(wanted),
    }
    mine = {*seen["jump_trials"]["session_id"], *seen["body_readings"]["session_id"]}
    assert set(seen["_session_slots"]["session_id"]) == mine and len(mine) < slots


def plainly(rows: pl.DataFrame, tested: set[str], test: str) -> set[str]:
    """row_id of the last sessions of people who were tested that day, in what was tested, one by one."""
    near = [
        (row["athlete_id"], row[test], row["local_date"], row["session_id"], row["row_id"])
        for row in rows.iter_rows(named=True)
        if row["athlete_id"] in tested and DAY - LOOK_BACK <= row["local_date"] <= DAY
    ]
    tests = {what for _, what, day, *_ in near if day == DAY}
    found = set()
    for who in tested:
        for what in tests:
            mine = [one for one in near if one[:2] == (who, what)]
            # By date, the latest first; of one date by session.
            order = sorted({(-day.toordinal(), session) for *_, day, session, _ in mine})
            last = {session for _, session in order[:SESSIONS]}
            found |= {row for *_, session, row in mine if session in last}
    return found


@pytest.mark.parametrize("seed", range(6))
def test_the_rows_are_those_that_are_found_one_by_one(tmp_path: Path, seed: int) -> None:
    at_random = random.Random(seed)
    hall = Hall(tmp_path)
    # Sessions go on past midnight, so that some are of two dates.
    moments = [
        (name, datetime(DAY.year, DAY.month, DAY.day) - timedelta(minutes=at_random.randrange(-1440, most)))
        for name, most in (("Ana Prado", 20_000), ("Mia Lund", 15_000), ("João Sá", 600_000))
        for _ in range(45)
    ]
    of_jumps = [jump(name, at.date(), f"{at:%H:%M:%S}") for name, at in moments[::2]]
    of_runs = [
        run(name, f"{at:%H:%M:%S}", date=f"{at:%Y-%m-%d}", drill=at_random.choice(["LIN", "COD"]))
        for name, at in moments[1::2]
    ]
    hall.take(("mat-1/j.csv", JUMPS_HEADER + "".join(of_jumps)), ("gates-1/r.csv", runs(*of_runs)))
    with hall.open() as warehouse:
        seen = what_today_needs(warehouse, DAY)
        whole = {name: warehouse.read(name) for name in ("jump_trials", "sprint_splits")}
    tested = {*pl.concat([rows.filter(local_date=DAY)["athlete_id"] for rows in whole.values()])}
    assert tested and any(seen[name].height < rows.height for name, rows in whole.items())
    for name, rows in whole.items():
        assert {*seen[name]["row_id"]} == plainly(rows, tested, "test")


def test_nothing_is_read_of_a_day_without_a_test(tmp_path: Path) -> None:
    hall = Hall(tmp_path)
    hall.take(("mat-1/j.csv", JUMPS_HEADER + jump("Ana Prado", DAY)))
    with hall.open() as warehouse:
        seen = what_today_needs(warehouse, back(1))
    assert all(frame.is_empty() for frame in seen.values())

"""What today's sheet reads: the last sessions of those tested that day, and nothing else."""

from __future__ import annotations

from datetime import date, timedelta
from pathlib import Path

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


def test_nothing_is_read_of_a_day_without_a_test(tmp_path: Path) -> None:
    hall = Hall(tmp_path)
    hall.take(("mat-1/j.csv", JUMPS_HEADER + jump("Ana Prado", DAY)))
    with hall.open() as warehouse:
        seen = what_today_needs(warehouse, back(1))
    assert all(frame.is_empty() for frame in seen.values())

"""A hall of simulated athletes whose levels are known, and the faults that can be planted in its exports."""

from __future__ import annotations

import datetime as dt
from collections.abc import Callable
from dataclasses import dataclass
from functools import cache
from typing import Any

import numpy as np
import polars as pl

from pipeline.analysis.screening.screening import Known, nothing_known, screen
from pipeline.metrics.measurements import measure_all
from schemas.catalogue import CATALOGUE
from schemas.frames import empty
from schemas.tables import SAMPLE_SETS, TABLES, TRIAL_TABLES
from tests.metrics.trial_rows import sessions_of, trial_rows

Row = dict[str, Any]
FIRST_DAY = dt.date(2026, 1, 5)
ATHLETES, VISITS = 40, 8
G = 9.80665
# Spread between people, between a person's sessions and between trials, as shares; chosen near published
# figures (between-day 3 to 6 % for jumps, 1 to 2 % for sprints) and not from the code under test.
JUMP, SPRINT, MASS = (0.15, 0.035, 0.025), (0.05, 0.012, 0.009), (0.14, 0.008, 0.002)


@dataclass(frozen=True)
class Levels:
    """What one athlete is able to do."""

    jump_m: float
    sprint: float
    mass_kg: float
    left_share: float


def levels(seed: int, athletes: int = ATHLETES) -> list[Levels]:
    rng = np.random.default_rng(seed)
    return [
        Levels(
            0.36 * np.exp(JUMP[0] * rng.normal()),
            np.exp(SPRINT[0] * rng.normal()),
            74 * np.exp(MASS[0] * rng.normal()),
            np.exp(0.10 * rng.normal()),
        )
        for _ in range(athletes)
    ]


@cache
def hall(seed: int, athletes: int = ATHLETES, visits: int = VISITS) -> list[Row]:
    """All rows of all visits: every fortnight on the mat, the gates, the scales and the rack, in one order.

    Made once and only read.
    """
    rng = np.random.default_rng(seed + 1000)
    rows: list[Row] = []
    for visit in range(visits):
        day = FIRST_DAY + dt.timedelta(days=14 * visit)
        for number, level in enumerate(levels(seed, athletes)):
            rows += _visit(number, level, day, rng)
    return rows


def name(number: int) -> str:
    return f"a{number:02d}"


def _visit(number: int, level: Levels, day: dt.date, rng: np.random.Generator) -> list[Row]:
    at = dt.datetime.combine(day, dt.time(16)) + dt.timedelta(minutes=4 * number)
    who: Row = {"athlete_id": name(number), "day": day}
    made: list[Row] = []

    def add(table: str, device: str, seconds: int, called: str, **fields: Any) -> None:
        place = f"{name(number)}-{day}-{table}-{called}"
        moment = {"performed_at_utc": at + dt.timedelta(seconds=seconds), "device": device}
        ids = {"trial_id": place, "row_id": f"{place}-{fields.get('distance_m', '')}"}
        made.append(who | moment | ids | {"table": table} | fields)

    form = 1 + JUMP[1] * rng.normal()
    jumps = [("countermovement_jump", "both", n, 1.0) for n in (1, 2, 3)]
    jumps += [("squat_jump", "both", n, 0.92) for n in (1, 2)]
    jumps += [("countermovement_jump", "left", n, 0.52 * level.left_share) for n in (1, 2)]
    jumps += [("countermovement_jump", "right", n, 0.52) for n in (1, 2)]
    for place, (test, leg, trial, share) in enumerate(jumps):
        height = level.jump_m * form * share * (1 + JUMP[2] * rng.normal())
        said = {"test": test, "leg": leg, "hands": "hips", "trial": trial}
        add("jump_trials", "mat-1", 20 * place, f"{test}{leg}{trial}", height_m=height, **said)
    form = 1 + SPRINT[1] * rng.normal()
    for trial in (1, 2):
        slow = level.sprint * form * (1 + SPRINT[2] * rng.normal())
        for distance, time in ((10, 1.85), (20, 3.15), (30, 4.35)):
            said = {"test": "linear_sprint", "trial": trial, "distance_m": float(distance)}
            said |= {"start": "standing", "start_offset_m": 0.5, "timing": "electronic"}
            add("sprint_splits", "gates-1", 90 * trial, f"run{trial}", split_time_s=time * slow, **said)
    kg = level.mass_kg * (1 + MASS[1] * rng.normal())
    add("body_readings", "scales-1", 0, "mass", quantity="mass", reading=1, value=kg, unit="kg")
    for rep in (1, 2, 3):
        speed, way = 0.8 * (1 + 0.05 * rng.normal()), 0.5 * (1 + 0.03 * rng.normal())
        said = {"lift": "back_squat", "load_kg": 60.0, "set": 1, "rep": rep, "mean_velocity_m_s": speed}
        add("bar_reps", "rack-1", 300 + 5 * rep, f"rep{rep}", range_of_motion_m=way, **said)
    return made


def screened(rows: list[Row], known: Known | None = None) -> dict[str, pl.DataFrame]:
    """The rows measured and screened."""
    tables = _tables(rows)
    sessions = sessions_of(*(tables[name] for name in TRIAL_TABLES if not tables[name].is_empty()))
    measured = measure_all(tables, sessions, CATALOGUE, {})
    return tables | measured | screen(tables | measured, CATALOGUE, known or nothing_known())


def _tables(rows: list[Row]) -> dict[str, pl.DataFrame]:
    tables = {name: empty(TABLES[name]) for name in (*TRIAL_TABLES, *SAMPLE_SETS)}
    for table in ("jump_trials", "sprint_splits", "body_readings", "bar_reps"):
        own = [row for row in rows if row["table"] == table]
        told = [
            {key: value for key, value in row.items() if key not in ("table", "height_m")}
            | ({"flight_time_s": float(np.sqrt(8 * row["height_m"] / G))} if "height_m" in row else {})
            for row in own
        ]
        if told:
            tables[table] = trial_rows(table, *told).with_columns(
                file_id=pl.lit("0123456789abcdef"), line=pl.int_range(2, pl.len() + 2, dtype=pl.Int32)
            )
    return tables


@cache
def clean(seed: int) -> dict[str, pl.DataFrame]:
    """An undamaged hall, screened once."""
    return screened(hall(seed))


def flagged(result: dict[str, pl.DataFrame], code: str) -> set[tuple[str, dt.date]]:
    """The athletes and days of which a value carries a code."""
    has = pl.col("flags").str.split(";").list.contains(code).fill_null(False)
    return set(result["measurements"].filter(has).select("athlete_id", "local_date").unique().rows())


def planted(
    rows: list[Row], where: set[tuple[str, dt.date]], change: Callable[[Row], Row | None]
) -> list[Row]:
    """Rows with those of these athletes and days changed (None: taken out)."""
    made = [change(dict(row)) if (row["athlete_id"], row["day"]) in where else row for row in rows]
    return [row for row in made if row is not None]


def places(seed: int, count: int, first_visit: int = 3) -> set[tuple[str, dt.date]]:
    """So many athletes, each on one day after some visits."""
    rng = np.random.default_rng(seed + 5000)
    who = rng.choice(ATHLETES - 1, count, replace=False)
    when = rng.integers(first_visit, VISITS, count)
    days = [FIRST_DAY + dt.timedelta(days=14 * int(visit)) for visit in when]
    return {(name(int(one)), day) for one, day in zip(who, days, strict=True)}

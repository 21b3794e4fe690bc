"""What is worth doing again at once."""

from __future__ import annotations

import datetime as dt
from typing import Any

import polars as pl
import pytest

from pipeline.analysis.screening.levels import trial_values
from pipeline.analysis.today.planned import trials_done
from pipeline.analysis.today.repeats import (
    facts_missing,
    load_below_bar,
    side_missing,
    split_missing,
    spread_wide,
    still_rising,
)
from pipeline.metrics.measurements import measure_all
from schemas.catalogue import CATALOGUE
from schemas.frames import empty
from schemas.tables import TABLES, TRIAL_TABLES
from tests.metrics.trial_rows import DAY, jump, lift, mass, run, sessions_of, trial_rows

TODAY = pl.col("local_date") == DAY


def measured(*jumps: dict[str, Any]) -> tuple[pl.DataFrame, pl.DataFrame]:
    """The values of jumps as the sheet reads them, and their series."""
    rows = trial_rows("jump_trials", *jumps)
    tables = measure_all({"jump_trials": rows}, sessions_of(rows), CATALOGUE, {})
    trials = rows.select("trial_id", "device", "performed_at_utc", "time_known")
    values = trial_values(tables["measurements"].filter(metric="jump_height"), trials, CATALOGUE)
    return values.with_columns(label=pl.lit("jump height"), metric_label=pl.lit("jump height")), tables[
        "series"
    ]


def reasons(found: pl.DataFrame) -> list[tuple[str, str]]:
    return found.select("about", "why").rows()


@pytest.mark.parametrize(
    ("times", "told"),
    [
        ((0.50, 0.51, 0.54), True),  # +12 % of height
        ((0.50, 0.54, 0.51), False),  # the best is not the last
        ((0.50, 0.50, 0.503), False),  # within the noise of a trial
        ((0.50,), False),
    ],
)
def test_a_last_trial_that_is_clearly_the_best(times: tuple[float, ...], told: bool) -> None:
    values, _ = measured(*(jump(trial=n, flight_time_s=t) for n, t in enumerate(times, 1)))
    assert bool(reasons(still_rising(values, TODAY))) == told


def test_of_times_the_lower_is_the_better() -> None:
    splits = trial_rows(
        "sprint_splits",
        *run((10, 1.90), (20, 3.20), name="one"),
        *run((10, 1.80), (20, 3.05), name="two", trial=2),
    )
    tables = measure_all({"sprint_splits": splits}, sessions_of(splits), CATALOGUE, {})
    trials = splits.select("trial_id", "device", "performed_at_utc", "time_known").unique("trial_id")
    values = trial_values(tables["measurements"].filter(metric="sprint_time"), trials, CATALOGUE)
    found = still_rising(values.with_columns(label=pl.lit("sprint")), TODAY)
    assert found.height == 1  # of the last gate alone


@pytest.mark.mode(52)
def test_trials_further_apart_than_this_athlete_is_used_to() -> None:
    """Three sessions of 1 %: 8 % is wide; where a session like it is usual, it is not."""
    days = [DAY - dt.timedelta(days=7 * week) for week in (1, 2, 3)]

    def session(day: dt.date, *times: float) -> list[dict[str, Any]]:
        return [jump(trial=n, flight_time_s=t, day=day, trial_id=f"{day}{n}") for n, t in enumerate(times, 1)]

    steady = [one for day in days for one in session(day, 0.500, 0.503, 0.498)]
    wild = [one for day in days for one in session(day, 0.46, 0.54, 0.50)]
    today = session(DAY, 0.46, 0.54, 0.50)
    assert len(reasons(spread_wide(measured(*steady, *today)[0], TODAY))) == 1
    assert reasons(spread_wide(measured(*wild, *today)[0], TODAY)) == []
    assert reasons(spread_wide(measured(*wild, *session(DAY, 0.5, 0.5, 0.5))[0], TODAY)) == []


def test_one_leg_alone() -> None:
    values, series = measured(jump(leg="left"), jump(trial=2, leg="left"))
    assert reasons(side_missing(values, series, TODAY)) == [("jump height", "the right side is missing")]
    values, series = measured(jump(leg="left"), jump(trial=2, leg="right"), jump(trial=3))
    assert reasons(side_missing(values, series, TODAY)) == []


def test_a_gate_that_the_other_runs_have() -> None:
    splits = trial_rows(
        "sprint_splits",
        *run((10, 1.9), (20, 3.1), (30, 4.3), name="one"),
        *run((10, 1.9), (30, 4.3), name="two", trial=2),
        *run((10, 1.9), (20, 3.1), name="short", trial=3),
    )
    assert reasons(split_missing(splits)) == [("linear_sprint", "run 2: the split at 20 m is missing")]


def test_what_the_codes_of_rows_ask_for() -> None:
    rows = pl.DataFrame(
        {"athlete_id": ["A", "A"], "device": ["d", "d"], "about": ["triceps", "triceps"],
         "code": ["third_reading_due", "single_reading"]}
    )  # fmt: skip
    assert reasons(facts_missing(rows)) == [("triceps", "a third reading is due")]


@pytest.mark.mode(42)
def test_plates_without_the_bar() -> None:
    reps = trial_rows(
        "bar_reps",
        lift(load_kg=15.0),
        lift(load_kg=60.0, rep=2),
        lift(load_kg=8.0, rep=3, implement="dumbbell"),
    )
    bars = pl.DataFrame({"kind": ["bar", "plate"], "label": ["long bar", "disc"], "mass_kg": [20.1, 10.0]})
    assert reasons(load_below_bar(reps, bars)) == [("back_squat", "15 kg is less than the bar of 20.1 kg")]
    assert reasons(load_below_bar(reps, bars.clear())) == []


def test_trials_are_counted_by_whatever_the_plan_calls_them() -> None:
    jumps = trial_rows("jump_trials", jump(), jump(trial=2), jump(trial=3, mark="failed", flags="failed"))
    masses = trial_rows("body_readings", mass(80.0))
    tables = {name: empty(TABLES[name]) for name in TRIAL_TABLES} | {
        "jump_trials": jumps,
        "body_readings": masses,
    }
    values = measure_all({"jump_trials": jumps}, sessions_of(jumps), CATALOGUE, {})["measurements"]
    words = ["countermovement_jump", "contact_mat", "jump_height", "mass", "squat_jump", None]
    planned = pl.DataFrame(
        {"athlete_id": ["A1"] * 6, "test": words, "trials": [3, 2, 2, 1, 1, 1]},
        schema_overrides={"trials": pl.Int32},
    )
    done = trials_done(planned, tables, values)
    assert {test: (n, wanted) for _, test, wanted, n in done.iter_rows()} == {
        "countermovement_jump": (2, 3), "contact_mat": (2, 2), "jump_height": (2, 2), "mass": (1, 1),
        "squat_jump": (0, 1), None: (3, 1),
    }  # fmt: skip
    assert done["test"].to_list()[0] == "squat_jump"  # what is not begun comes first

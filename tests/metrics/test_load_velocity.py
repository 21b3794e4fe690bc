"""Load-velocity lines as values and fits: interpolation only, estimates only past their gates."""

from __future__ import annotations

import datetime as dt
from typing import Any

import numpy as np
import polars as pl
import pytest

from pipeline.metrics.bar_speed import flag, measure, profiles
from pipeline.metrics.measurements import measure_all
from schemas.catalogue import CATALOGUE, FedBy
from tests.metrics.trial_rows import DAY, lift, sessions_of, trial_rows

LOADS = (60.0, 80.0, 100.0, 120.0)
SPEEDS = (0.98, 0.80, 0.63, 0.46)


def sets(loads: Any = LOADS, speeds: Any = SPEEDS, **fields: Any) -> list[dict[str, Any]]:
    return [
        lift(set=number, rep=rep, load_kg=kg, mean_velocity_m_s=speed, peak_velocity_m_s=3.0, **fields)
        for number, (kg, speed) in enumerate(zip(loads, speeds, strict=True), 1)
        for rep in (1, 2)
    ]


def values(*rows: dict[str, Any]) -> pl.DataFrame:
    trials = trial_rows("bar_reps", *rows)
    made = measure(flag(trials), sessions_of(trials))
    return made.filter(pl.col("metric").is_in(["one_rep_max_estimate", "bar_velocity_at_load"]))


def estimates(*rows: dict[str, Any]) -> pl.DataFrame:
    return values(*rows).filter(pl.col("metric") == "one_rep_max_estimate")


def test_an_estimate_with_its_error() -> None:
    made = estimates(*sets())
    # 172.931 - 115.584 x 0.30 = 138.26 kg; slope x SD 0.05 alone is 5.8 kg.
    assert made["value"].to_list() == pytest.approx([138.256], abs=1e-3)
    assert made["standard_error"][0] > 5.78
    assert made["flags"].to_list() == [None]


def test_velocities_at_round_loads_between_those_lifted() -> None:
    made = values(*sets((50.0, 75.0, 97.5, 118.0), (1.05, 0.85, 0.65, 0.48)))
    at = made.filter(pl.col("metric") == "bar_velocity_at_load").sort("value", descending=True)
    assert at["load"].to_list() == ["60 kg", "80 kg", "100 kg"]
    slope, intercept = np.polyfit([50.0, 75.0, 97.5, 118.0], [1.05, 0.85, 0.65, 0.48], 1)
    assert at["value"].to_list() == pytest.approx([intercept + slope * kg for kg in (60, 80, 100)])
    assert at["row_id"].n_unique() == 3


@pytest.mark.parametrize(
    ("rows", "code"),
    [
        (sets(LOADS[:3], SPEEDS[:3]), "few_loads"),
        (sets(speeds=(0.80, 0.75, 0.68, 0.60)), "few_loads"),
        (sets(speeds=(0.46, 0.63, 0.80, 0.98)), "line_not_falling"),
        (sets(speeds=(1.2, 0.5, 1.0, 0.46)), "points_off_line"),
        (sets(speeds=(1.3, 1.1, 0.9, 0.66)), "far_from_maximum"),
        (sets(lift="deadlift"), "velocity_at_maximum_unknown"),
    ],
)
def test_no_estimate_and_why(rows: list[dict[str, Any]], code: str) -> None:
    made = estimates(*rows)
    assert made["value"].to_list() == [None]
    assert made["flags"].to_list() == [code]


def test_two_loads_are_no_line() -> None:
    assert values(*sets(LOADS[:2], SPEEDS[:2])).is_empty()


@pytest.mark.mode(46)
def test_slack_and_late_repetitions_and_other_lifts_stay_out() -> None:
    spoilt = [
        lift(set=9, load_kg=80.0, mean_velocity_m_s=0.2, intent="other"),
        lift(set=1, rep=4, load_kg=60.0, mean_velocity_m_s=0.3),
        lift(set=10, load_kg=80.0, mean_velocity_m_s=0.3, variant="to a box"),
    ]
    assert estimates(*sets(), *spoilt)["value"].to_list() == estimates(*sets())["value"].to_list()


def test_the_fits_of_each_kind_of_velocity() -> None:
    rows = [row | {"propulsive_velocity_m_s": row["mean_velocity_m_s"] * 1.05} for row in sets()]
    trials = trial_rows("bar_reps", *rows)
    made = profiles(flag(trials), sessions_of(trials)).sort("kind")
    assert made["kind"].to_list() == ["load_velocity_mean", "load_velocity_peak", "load_velocity_propulsive"]
    assert made["why_not"].to_list() == [None, "Too few loads, or too near each other, for a line.", None]
    mean = {one["name"]: one["value"] for one in made["values"][0]}
    assert mean["one_rep_max_low"] < mean["one_rep_max"] < mean["one_rep_max_high"]
    # Long-trained lifters are slower at their maximum, so by that velocity it would be more.
    assert mean["one_rep_max_if_long_trained"] == pytest.approx(172.931 - 115.584 * 0.23, abs=1e-3)
    propulsive = {one["name"] for one in made["values"][2]}
    assert propulsive == {"velocity_without_load", "slope", "lightest_load", "heaviest_load"}


@pytest.mark.parametrize(
    ("days", "variant", "holds"),
    [
        (0, "parallel", True),
        (84, "parallel", True),
        (85, "parallel", False),
        (-1, "parallel", False),
        (3, None, False),
    ],
)
def test_a_performed_maximum_goes_before(days: int, variant: str | None, holds: bool) -> None:
    reps = trial_rows("bar_reps", *sets())
    day = DAY - dt.timedelta(days=days)
    lifted = {"test": "squat_max", "trial": 1, "value": 145.0, "unit": "kg", "day": day}
    other = trial_rows("other_trials", lifted)
    fed = (FedBy(test="squat_max", lift="back_squat", variant=variant),)
    catalogue = {**CATALOGUE, "one_rep_max": CATALOGUE["one_rep_max"].model_copy(update={"fed_by": fed})}
    tables = measure_all({"bar_reps": reps, "other_trials": other}, sessions_of(reps, other), catalogue, {})
    (made,) = tables["measurements"].filter(pl.col("metric") == "one_rep_max_estimate").to_dicts()
    assert (made["value"] is None) == holds
    assert (made["flags"] == "maximum_performed") == holds

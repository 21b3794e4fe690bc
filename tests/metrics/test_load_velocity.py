"""Load-velocity lines as values and fits: interpolation only, estimates only past their gates."""

from __future__ import annotations

import datetime as dt
from typing import Any

import numpy as np
import polars as pl
import pytest

from pipeline.analysis.profiles import fit_profiles
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
    # Without an own maximum, too, the value leads to the rows behind it.
    assert made["inputs"].list.len().to_list() == [2 * len(LOADS)]


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


@pytest.mark.mode(44)
@pytest.mark.mode(45)
def test_sets_over_another_range_and_half_lifts_stay_out() -> None:
    usual = [
        row | {"day": DAY - dt.timedelta(days=back), "range_of_motion_m": 0.60}
        for back in (14, 7)
        for row in sets()
    ]
    today = [row | {"range_of_motion_m": 0.61} for row in sets()]
    spoilt = [
        # Cut short by 15 %, the lift is faster.
        lift(set=9, rep=1, load_kg=100.0, mean_velocity_m_s=0.75, range_of_motion_m=0.52),
        lift(set=3, rep=3, load_kg=100.0, mean_velocity_m_s=0.90, range_of_motion_m=0.30),
    ]
    plain, told = (estimates(*usual, *today, *more).sort("local_date") for more in ([], spoilt))
    assert told["value"].to_list() == plain["value"].to_list() == pytest.approx([138.256] * 3, abs=1e-3)
    unknown = [row | {"range_of_motion_m": None} for row in (*usual, *today, *spoilt)]
    assert estimates(*unknown).sort("local_date")["value"][2] != plain["value"][2]


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
    day = DAY - dt.timedelta(days=days)
    tables, fits = with_performed({"value": 145.0, "day": day}, variant=variant)
    (made,) = tables["measurements"].filter(pl.col("metric") == "one_rep_max_estimate").to_dicts()
    assert (made["value"] is None) == holds
    assert (made["flags"] == "maximum_performed") == holds
    # Nor is the estimate shown among the values of the fit.
    assert ("one_rep_max_performed" in fits) == holds
    assert ("one_rep_max" in fits) == ("one_rep_max_low" in fits) == (not holds)


def with_performed(
    *lifted: dict[str, Any], variant: str | None = "parallel", reps: tuple[dict[str, Any], ...] = ()
) -> tuple[dict[str, pl.DataFrame], dict[str, Any]]:
    """The tables of the four sets of `DAY`, with lifted maxima and further repetitions, and the values
    (with errors) of the fit of `DAY`'s mean velocities."""
    bar = trial_rows("bar_reps", *sets(), *reps)
    same = {"test": "squat_max", "trial": 1, "unit": "kg"}
    other = trial_rows("other_trials", *(same | one for one in lifted))
    fed = (FedBy(test="squat_max", lift="back_squat", variant=variant),)
    catalogue = {**CATALOGUE, "one_rep_max": CATALOGUE["one_rep_max"].model_copy(update={"fed_by": fed})}
    trials, sessions = {"bar_reps": bar, "other_trials": other}, sessions_of(bar, other)
    fits = fit_profiles(trials, sessions, catalogue, {})
    (mean,) = fits["profiles"].filter(kind="load_velocity_mean", local_date=DAY)["profile_id"]
    values = fits["profile_values"].filter(profile_id=mean)
    return measure_all(trials, sessions, catalogue, {}), {
        name: (value, error) for name, value, error in values.select("name", "value", "error").iter_rows()
    }


LONG_AGO = DAY - dt.timedelta(days=100)


def maximum(velocity: float, day: dt.date = LONG_AGO, **fields: Any) -> dict[str, Any]:
    """A maximum of 140 kg, as the bar's device saw it."""
    said = {"set": 8, "rep": 1, "load_kg": 140.0, "mean_velocity_m_s": velocity, "peak_velocity_m_s": 3.0}
    return lift(day=day, **{**said, **fields})


def test_the_velocity_at_an_own_maximum_goes_before_the_borrowed_one() -> None:
    tables, fits = with_performed(
        {"value": 140.0, "day": LONG_AGO}, {"value": 130.0, "day": LONG_AGO}, reps=(maximum(0.24),)
    )
    # 172.931 - 115.584 x 0.24: the slower bar at the own maximum makes the estimate higher.
    assert fits["velocity_at_maximum"] == (pytest.approx(0.24), pytest.approx(0.02))
    assert fits["one_rep_max"][0] == pytest.approx(172.931 - 115.584 * 0.24, abs=1e-3)
    assert fits["own_maxima"] == (1.0, None)
    assert "one_rep_max_if_long_trained" not in fits
    _, borrowed = with_performed({"value": 140.0, "day": LONG_AGO})
    assert borrowed["velocity_at_maximum"] == (0.30, 0.05)
    assert borrowed["own_maxima"] == (0.0, None)
    # The line is 0.45 kg off its points: nearly all of the error is that of the velocity at the maximum.
    assert fits["one_rep_max"][1] == pytest.approx(115.584 * 0.02, rel=0.1)
    assert borrowed["one_rep_max"][1] == pytest.approx(115.584 * 0.05, rel=0.1)
    estimate = tables["measurements"].filter(metric="one_rep_max_estimate")["measurement_id"]
    inputs = tables["measurement_inputs"].filter(pl.col("measurement_id").is_in(estimate.implode()))
    assert inputs.filter(role="own_maximum")["row_id"].to_list() == ["bar_reps-8"]


def test_several_own_maxima_are_averaged_and_their_scatter_counts() -> None:
    earlier = LONG_AGO - dt.timedelta(days=60)
    lifted = {"value": 140.0, "day": LONG_AGO}, {"value": 140.0, "day": earlier}
    _, fits = with_performed(*lifted, reps=(maximum(0.24), maximum(0.30, earlier)))
    error = ((10 * 0.02**2 + 2 * 0.03**2) / 11 / 2) ** 0.5
    assert fits["velocity_at_maximum"] == (pytest.approx(0.27), pytest.approx(error))
    assert fits["own_maxima"] == (2.0, None)


@pytest.mark.parametrize(
    "other",
    [
        maximum(0.24, load_kg=139.0),  # not the load that was the maximum
        maximum(0.24, rep=2),
        maximum(0.24, variant="to a box"),
        maximum(0.24, device="device-2"),
        maximum(0.24, mark="failed"),
        maximum(0.24, athlete_id="A2"),
        maximum(0.24, DAY - dt.timedelta(days=366)),
        maximum(0.24, DAY + dt.timedelta(days=1)),
    ],
)
def test_what_is_no_own_maximum(other: dict[str, Any]) -> None:
    days = {LONG_AGO, other["day"]}
    _, fits = with_performed(*({"value": 140.0, "day": day} for day in days), reps=(other,))
    assert fits["velocity_at_maximum"] == (0.30, 0.05)


def test_an_own_velocity_makes_estimates_of_lifts_without_a_borrowed_one_but_never_of_deadlifts() -> None:
    for name, made in (("front_squat", True), ("deadlift", False)):
        told = sessions_of(
            trial_rows("bar_reps", *sets(lift=name)),
            maxima=[{"lift": name, "variant": "parallel", "lifted_on": DAY, "kg": 120.0}],
        )
        earlier = told["maxima"].list.eval(pl.element().struct.with_fields(lifted_on=pl.lit(LONG_AGO)))
        rows = trial_rows("bar_reps", *sets(lift=name), maximum(0.24, lift=name, load_kg=120.0))
        occasions = pl.concat(
            [
                told.with_columns(maxima=earlier),
                sessions_of(rows.tail(1)).with_columns(maxima=earlier),
            ]
        )
        found = measure(flag(rows), occasions).filter(metric="one_rep_max_estimate")
        assert found["value"].is_not_null().to_list() == [made]

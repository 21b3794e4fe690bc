"""Neck: force and torque by direction, per mass, left against right, flexion against extension."""

from typing import Any

import numpy as np
import polars as pl
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from pipeline.metrics.measurements import measure_all
from pipeline.metrics.neck_dynamometer import NOISE_BAND, flag, measure
from schemas.catalogue import CATALOGUE
from tests.metrics.trial_rows import sessions_of, trial_rows

TABLE = "neck_trials"
FORCE = st.floats(min_value=10.0, max_value=400.0)


def push(direction: str, newtons: float | None, **fields: Any) -> dict[str, Any]:
    """A seated trial with the pad 0.15 m from the axis, unless a field says otherwise."""
    same = {"trial": 1, "lever_arm_m": 0.15, "posture": "seated", "examiner": "E1"}
    return {"direction": direction, "peak_force_n": newtons, **same, **fields}


def values(*rows: dict[str, Any], kg: float | None = None, provisional: bool = False) -> pl.DataFrame:
    trials = trial_rows(TABLE, *rows)
    return measure(flag(trials), sessions_of(trials, kg=kg, provisional=provisional))


def only(metric: str, frame: pl.DataFrame) -> dict[str, Any]:
    return frame.row(by_predicate=pl.col("metric") == metric, named=True)


def test_force_and_torque_have_metrics_of_their_own() -> None:
    frame = values(
        push("flexion", 120.0),
        push("rotation_left", None, peak_torque_n_m=9.5),
        push("rotation_right", 60.0),
        push("rotation_right", 60.0, peak_torque_n_m=8.0),
    )
    assert frame.filter(pl.col("metric") == "neck_force").select("direction", "value").rows() == [
        ("flexion", 120.0)
    ]
    torque = frame.filter(pl.col("metric") == "neck_torque")
    assert torque["value"].to_list() == pytest.approx([9.5, 60.0 * 0.15, 8.0])


def test_force_per_mass_takes_the_sessions_own_mass() -> None:
    row = only("neck_force_per_kg", values(push("extension", 240.0), kg=80.0, provisional=True))
    assert row["value"] == pytest.approx(3.0)
    assert row["flags"] == "mass_provisional"
    assert [(part["source_table"], part["role"]) for part in row["inputs"]] == [
        (TABLE, "trial"), ("body_readings", "body_mass"),
    ]  # fmt: skip
    assert "neck_force_per_kg" not in set(values(push("extension", 240.0))["metric"])


def test_side_difference_is_that_of_the_sessions_means() -> None:
    # By arithmetic from this house's convention, 100 (right - left) / max(right, left).
    frame = values(
        push("right", 190.0),
        push("right", 210.0, trial=2),
        push("left", 150.0),
        push("left", 170.0, trial=2),
        push("left", 400.0, trial=3, mark="failed"),
    )
    row = only("neck_side_difference", frame)
    assert row["value"] == pytest.approx(20.0)
    assert sorted(part["role"] for part in row["inputs"]) == ["left", "left", "right", "right"]


@settings(deadline=None, max_examples=20)
@given(FORCE, FORCE)
def test_swapping_the_sides_flips_the_sign(right: float, left: float) -> None:
    plain = only("neck_side_difference", values(push("right", right), push("left", left)))["value"]
    swapped = only("neck_side_difference", values(push("left", right), push("right", left)))["value"]
    assert plain == pytest.approx(-swapped)


def test_flexion_to_extension_is_that_of_the_sessions_means() -> None:
    frame = values(push("flexion", 100.0), push("flexion", 140.0, trial=2), push("extension", 200.0))
    assert only("neck_flexion_extension_ratio", frame)["value"] == pytest.approx(0.6)


@pytest.mark.parametrize(
    "other", [{"posture": "standing"}, {"lever_arm_m": 0.12}, {"examiner": "E2"}, {"device": "device-2"}]
)
@pytest.mark.mode(52)
def test_directions_compare_only_at_one_set_up(other: dict[str, Any]) -> None:
    frame = values(
        push("right", 200.0),
        push("left", 150.0, **other),
        push("flexion", 100.0),
        push("extension", 150.0, **other),
    )
    assert set(frame["metric"]) == {"neck_force"}


def test_one_side_alone_gives_no_difference_and_rotation_is_no_side() -> None:
    frame = values(push("right", 200.0), push("rotation_left", 60.0), push("rotation_right", 50.0))
    assert set(frame["metric"]) == {"neck_force", "neck_torque"}


@pytest.mark.mode(52)
def test_an_unknown_set_up_is_said_and_equals_itself() -> None:
    frame = values(push("right", 200.0, lever_arm_m=None), push("left", 160.0, lever_arm_m=None))
    row = only("neck_side_difference", frame)
    assert (row["value"], row["flags"]) == (
        pytest.approx(20.0),
        "set_up_unknown;side_difference_in_noise",
    )
    assert flag(trial_rows(TABLE, push("left", 1.0), push("left", 1.0, posture=None)))["flags"].to_list() == [
        None,
        "set_up_unknown",
    ]


def test_flagging_twice_changes_nothing() -> None:
    once = flag(trial_rows(TABLE, push("left", 100.0, posture=None, mark="warm_up")))
    assert once["flags"].to_list() == ["set_up_unknown;warm_up"]
    assert flag(once).equals(once)


def test_series_name_direction_and_set_up_and_pair_the_sides() -> None:
    trials = trial_rows(
        TABLE, push("left", 150.0), push("right", 160.0), push("flexion", 100.0),
        push("rotation_left", 60.0), push("rotation_right", 60.0),
    )  # fmt: skip
    made = measure_all({TABLE: trials}, sessions_of(trials), CATALOGUE, {})
    series = {
        row["label"].split(";")[0]: row for row in made["series"].iter_rows(named=True) if row["direction"]
    }
    assert series["direction=left"]["label"] == (
        "direction=left; posture=seated; lever_arm=0.15 m; examiner=E1; "
        "method=device-1; method_version=unknown"
    )
    sides = {label: row["body_side"] for label, row in series.items()}
    assert sides == {
        "direction=left": "left", "direction=right": "right", "direction=flexion": None,
        "direction=rotation_left": "left", "direction=rotation_right": "right",
    }  # fmt: skip
    pairs = {label: row["pair_id"] for label, row in series.items()}
    assert pairs["direction=left"] == pairs["direction=right"] is not None
    assert pairs["direction=rotation_left"] == pairs["direction=rotation_right"] is not None
    assert pairs["direction=left"] != pairs["direction=rotation_left"]
    assert pairs["direction=flexion"] is None
    assert made["measurements"]["measurement_id"].is_unique().all()


def test_a_difference_within_its_noise_is_called_so() -> None:
    """The band: 1.96 times the borrowed error between days, 15.6 points, is 30.6 points."""
    assert 30.5 < NOISE_BAND < 30.7
    small = only("neck_side_difference", values(push("right", 200.0), push("left", 150.0)))
    large = only("neck_side_difference", values(push("right", 200.0), push("left", 130.0)))
    assert (small["flags"], large["flags"]) == ("side_difference_in_noise", None)


def test_intervals_hold_the_truth() -> None:
    """95 % intervals of 1500 simulated occasions, 2 and 3 trials with 8 % of noise: 94.8 and 95.3 %."""
    draws = np.random.default_rng(9).standard_normal((1500, 10)) * 0.08
    means = {"right": 200.0, "left": 180.0, "flexion": 120.0, "extension": 200.0}
    counts = {"right": 2, "left": 3, "flexion": 2, "extension": 3}
    rows = []
    for number, noise in enumerate(draws):
        given_noise = iter(noise)
        for direction, mean in means.items():
            for trial in range(1, counts[direction] + 1):
                force = mean * (1 + next(given_noise))
                rows.append(push(direction, force, trial=trial, athlete_id=f"A{number}"))
    made = values(*rows)
    for metric, truth in (("neck_side_difference", 10.0), ("neck_flexion_extension_ratio", 0.6)):
        of = made.filter(pl.col("metric") == metric)
        held = ((of["value"] - truth).abs() <= 1.96 * of["standard_error"]).mean()
        assert of.height == 1500
        assert 0.93 <= held <= 0.97, (metric, held)  # type: ignore[operator]

"""Bar speed: which repetitions count, and what a set costs."""

from __future__ import annotations

from typing import Any

import polars as pl
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from pipeline.metrics.bar_speed import flag, measure
from pipeline.metrics.measurements import measure_all
from pipeline.metrics.ranges import SHARE
from schemas.catalogue import CATALOGUE
from tests.metrics.trial_rows import lift, sessions_of, trial_rows

TABLE = "bar_reps"


def values(*rows: dict[str, object]) -> pl.DataFrame:
    trials = trial_rows(TABLE, *rows)
    return measure(flag(trials), sessions_of(trials))


def measured(*rows: dict[str, object]) -> pl.DataFrame:
    trials = trial_rows(TABLE, *rows)
    tables = measure_all({TABLE: trials}, sessions_of(trials), CATALOGUE, {})
    return tables["measurements"].join(tables["series"], on=["metric", "series_id"])


def a_set(*speeds: float, **fields: Any) -> list[dict[str, Any]]:
    return [
        lift(rep=rep, mean_velocity_m_s=speed, peak_velocity_m_s=None, **fields)
        for rep, speed in enumerate(speeds, 1)
    ]


def loss(*rows: dict[str, object]) -> list[float]:
    return values(*rows).filter(pl.col("metric") == "velocity_loss")["value"].to_list()


@pytest.mark.mode(47)
def test_each_kind_of_velocity_is_a_metric_of_its_own() -> None:
    row = lift(mean_velocity_m_s=0.8, propulsive_velocity_m_s=0.85, peak_velocity_m_s=1.3)
    found = values(row).select("metric", "value")
    assert dict(found.iter_rows()) == {
        "bar_mean_velocity": 0.8,
        "bar_propulsive_velocity": 0.85,
        "bar_peak_velocity": 1.3,
    }


def test_the_label_of_a_series() -> None:
    row = lift(load_kg=-18.14369, lift="pull_up", variant=None, implement="machine", implement_count=1)
    label = measured(row).filter(pl.col("metric") == "bar_mean_velocity")["label"].item()
    assert label == (
        "lift=pull_up; variant=unknown; implement=machine; implement_count=1; load=-18.144 kg; "
        "accommodating=none; side=both; method=device-1; method_version=unknown"
    )


@pytest.mark.parametrize(
    "other",
    [{"lift": "bench_press"}, {"variant": "box"}, {"load_kg": 80.001}, {"implement": "other bar"},
     {"implement_count": 2}, {"accommodating": "chains"}, {"side": "left"}, {"device": "device-2"}],
)  # fmt: skip
@pytest.mark.mode(43)
def test_what_parts_two_series(other: dict[str, object]) -> None:
    frame = measured(lift(), lift(rep=2, **other)).filter(pl.col("metric") == "bar_mean_velocity")
    assert frame["series_id"].n_unique() == 2


@pytest.mark.mode(46)
def test_only_the_first_three_repetitions_at_full_intent_count() -> None:
    rows = [*a_set(0.8, 0.79, 0.78, 0.77), lift(set=2, intent="other"), lift(set=3, intent=None)]
    frame = measured(*rows).filter(pl.col("metric") == "bar_mean_velocity").sort("row_id")
    assert frame["flags"].to_list() == [None, None, None, "beyond_third_rep", "not_max_intent", None]
    assert frame["used"].to_list() == [True, True, True, False, False, True]


@pytest.mark.mode(47)
def test_a_mean_above_the_peak_is_flagged_and_used_for_nothing() -> None:
    rows = [lift(mean_velocity_m_s=1.3, peak_velocity_m_s=0.8), lift(rep=2, propulsive_velocity_m_s=2.0)]
    frame = measured(*rows)
    assert frame.height == 5
    assert set(frame["flags"]) == {"mean_above_peak"} and not frame["used"].any()


def test_velocity_loss_is_from_the_fastest_of_the_first_three_to_the_last() -> None:
    # 100 (1 - 0.60 / 0.80) = 25 %, by hand (methods, B6).
    assert loss(*a_set(0.78, 0.80, 0.76, 0.83, 0.60)) == [pytest.approx(25.0)]


@settings(deadline=None, max_examples=30)
@given(st.lists(st.floats(min_value=0.1, max_value=2.0), min_size=3, max_size=8), st.floats(0.5, 2.0))
def test_loss_does_not_hang_on_the_unit_of_speed(speeds: list[float], factor: float) -> None:
    scaled = loss(*a_set(*(speed * factor for speed in speeds)))
    assert scaled == pytest.approx(loss(*a_set(*speeds)), abs=1e-9)


def test_a_repetition_that_does_not_count_is_left_out_of_the_set() -> None:
    rows = a_set(0.80, 0.78, 0.76, 0.40)
    rows[3]["mark"] = "failed"
    assert loss(*rows) == [pytest.approx(5.0)]


@pytest.mark.mode(45)
@pytest.mark.parametrize("partial", [0, 5])
def test_half_a_lift_is_no_part_of_a_loss(partial: int) -> None:
    """Neither the quick un-racking that a device counts as the first nor a last one that stopped half way."""
    speeds = [0.80, 0.78, 0.76, 0.74, 0.70, 0.68]
    speeds[partial] = 1.40 if partial == 0 else 0.20
    rows = a_set(*speeds, range_of_motion_m=0.6)
    rows[partial]["range_of_motion_m"] = 0.6 * SHARE - 0.001
    whole = [speed for rep, speed in enumerate(speeds) if rep != partial]
    assert loss(*rows) == [pytest.approx(100 * (1 - whole[-1] / whole[0]))]
    rows[partial]["range_of_motion_m"] = 0.6 * SHARE + 0.001
    assert loss(*rows) == [pytest.approx(100 * (1 - speeds[-1] / speeds[0]))]


def test_sets_without_a_loss() -> None:
    assert loss(*a_set(0.8, 0.7)) == []  # two repetitions
    assert loss(*a_set(0.8, 0.7, 0.6, set=None)) == []  # which set is not known
    assert loss(*a_set(0.8, 0.7, 0.6), *a_set(0.8, 0.7, 0.6)) == []  # two sets called the same
    assert loss(*a_set(0.9, 0.8, 0.7, 0.6, 0.5, 0.4)[3:]) == []  # none of the first three


def test_the_rows_behind_a_loss() -> None:
    rows = a_set(0.78, 0.80, 0.76, 0.60)
    inputs = values(*rows).filter(pl.col("metric") == "velocity_loss")["inputs"].item()
    roles = {part["row_id"]: part["role"] for part in inputs}
    assert roles == {
        f"{TABLE}-0": "repetition",
        f"{TABLE}-1": "fastest",
        f"{TABLE}-2": "repetition",
        f"{TABLE}-3": "last",
    }

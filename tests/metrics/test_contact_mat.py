"""Jumps: what is measured from which row."""

from typing import Any

import polars as pl
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from pipeline.metrics.contact_mat import flag, measure
from tests.metrics.trial_rows import jump, sessions_of, trial_rows

TABLE = "jump_trials"


def values(*rows: dict[str, object], kg: float | None = None, provisional: bool = False) -> pl.DataFrame:
    trials = trial_rows(TABLE, *rows)
    return measure(flag(trials), sessions_of(trials, kg=kg, provisional=provisional))


def only(frame: pl.DataFrame, metric: str) -> dict[str, Any]:
    return frame.row(by_predicate=pl.col("metric") == metric, named=True)


def test_jump_height_by_flight_time() -> None:
    # g t² / 8 with g = 9.80665 m/s² (ISO 80000-3): 44.13 cm for 0.600 s.
    assert only(values(jump(flight_time_s=0.600)), "jump_height")["value"] == pytest.approx(44.13, abs=0.005)


@settings(deadline=None)
@given(st.floats(min_value=0.2, max_value=0.9))
def test_height_grows_with_the_square_of_the_time(time_s: float) -> None:
    both = values(jump(flight_time_s=time_s), jump(flight_time_s=time_s / 2)).filter(
        pl.col("metric") == "jump_height"
    )
    assert both["value"][0] == pytest.approx(4 * both["value"][1])


def test_each_test_has_its_own_metrics() -> None:
    frame = values(
        jump(test="squat_jump"),
        jump(test="drop_jump", contact_time_s=0.2, drop_height_m=0.3),
        jump(test="repeated_hops", hop=1, contact_time_s=0.15),
        jump(test="push_up_flight", flight_time_s=0.3),
    )
    found = frame.group_by("test").agg(pl.col("metric").sort()).sort("test")
    assert dict(found.iter_rows()) == {
        "squat_jump": ["flight_time", "jump_height"],
        "drop_jump": ["contact_time", "flight_time", "jump_height", "reactive_strength_index"],
        "repeated_hops": ["contact_time", "flight_time"],
        "push_up_flight": ["flight_time", "push_up_rise"],
    }


def test_reactive_strength_is_metres_over_seconds() -> None:
    frame = values(jump(test="drop_jump", flight_time_s=0.5, contact_time_s=0.2, drop_height_m=0.3))
    height_cm = only(frame, "jump_height")["value"]
    assert only(frame, "reactive_strength_index")["value"] == pytest.approx(height_cm / 100 / 0.2)


def test_a_missing_contact_time_gives_no_value() -> None:
    frame = values(jump(test="drop_jump", drop_height_m=0.3))
    assert set(frame["metric"]) == {"flight_time", "jump_height"}


def test_box_height_flags_drop_jumps_and_keys_only_them() -> None:
    frame = values(
        jump(test="drop_jump"), jump(test="drop_jump", drop_height_m=0.3), jump(drop_height_m=0.3), jump()
    ).filter(pl.col("metric") == "jump_height")
    assert frame["flags"].to_list() == ["box_height_unknown", None, None, None]
    assert frame["drop_height"].to_list() == ["unknown", "0.3 m", "none", "none"]


def test_peak_power_takes_the_sessions_own_mass() -> None:
    # Sayers 1999: 60.7 x 44.129925 + 45.3 x 80 - 2055 = 4247.686 W.
    row = only(values(jump(), kg=80.0), "jump_peak_power_estimate")
    assert row["value"] == pytest.approx(4247.686, abs=1e-3)
    assert row["flags"] is None
    assert [(part["source_table"], part["row_id"], part["role"]) for part in row["inputs"]] == [
        (TABLE, f"{TABLE}-0", "jump"),
        ("body_readings", "mass-row", "body_mass"),
    ]


def test_a_provisional_mass_is_said() -> None:
    row = only(values(jump(flags="time_ambiguous"), kg=80.0, provisional=True), "jump_peak_power_estimate")
    assert row["flags"] == "mass_provisional;time_ambiguous"


@pytest.mark.parametrize(
    "other",
    [{"leg": "left"}, {"leg": None}, {"added_load_kg": 20.0}, {"test": "drop_jump", "drop_height_m": 0.3}],
)
def test_no_peak_power_for_other_jumps(other: dict[str, object]) -> None:
    assert "jump_peak_power_estimate" not in set(values(jump(**other), kg=80.0)["metric"])


def test_no_peak_power_without_a_mass() -> None:
    assert "jump_peak_power_estimate" not in set(values(jump())["metric"])


def test_marks_are_codes() -> None:
    flagged = flag(
        trial_rows(TABLE, jump(mark="warm_up"), jump(mark="failed", flags="time_ambiguous"), jump())
    )
    assert flagged["flags"].to_list() == ["warm_up", "failed;time_ambiguous", None]
    assert flag(flagged).equals(flagged)

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
        jump(test="repeated_hops", contact_time_s=0.15),
        jump(test="push_up_flight", flight_time_s=0.3),
    )
    found = frame.group_by("test").agg(pl.col("metric").sort()).sort("test")
    assert dict(found.iter_rows()) == {
        "squat_jump": ["flight_time", "jump_height"],
        "drop_jump": [
            "contact_time",
            "flight_time",
            "flight_to_contact_ratio",
            "jump_height",
            "reactive_strength_index",
        ],
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


@pytest.mark.mode(31)
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


def hops(*times: tuple[float, float], name: str = "hops", **fields: object) -> list[dict[str, object]]:
    """A series of hops of (flight, contact) [s]."""
    return [
        jump(
            test="repeated_hops",
            trial_id=name,
            row_id=f"{name}-{hop}",
            hop=hop,
            flight_time_s=flight,
            contact_time_s=contact,
            **fields,
        )
        for hop, (flight, contact) in enumerate(times, 1)
    ]


def roles(row: dict[str, Any]) -> dict[str, int]:
    """How many rows behind a value play each role."""
    return {
        role: sum(part["role"] == role for part in row["inputs"])
        for role in {p["role"] for p in row["inputs"]}
    }


def test_reactive_strength_of_hops_is_the_mean_of_the_best_five_of_ten() -> None:
    # Ten hops, the first set aside, contacts up to 0.25 s, mean of the best five (Harper 2011, Comyns 2019,
    # from memory). Index g t² / 8 / tc; here the best five are those with the shortest contact.
    contacts = [0.15, 0.20, 0.21, 0.26, 0.19, 0.18, 0.22, 0.23, 0.17, 0.24]
    row = only(values(*hops(*((0.5, contact) for contact in contacts))), "reactive_strength_index")
    height = 9.80665 * 0.25 / 8
    best = [0.17, 0.18, 0.19, 0.20, 0.21]
    assert row["value"] == pytest.approx(sum(height / contact for contact in best) / 5)
    assert row["flags"] is None
    # What was tried, what was valid: 8 of 10.
    assert roles(row) == {"first_hop": 1, "invalid_hop": 1, "valid_hop": 3, "best_hop": 5}


def test_reactive_strength_of_hops_needs_ten_tried() -> None:
    for tried, code in ((9, "hops_not_ten"), (10, None), (11, "hops_not_ten")):
        row = only(values(*hops(*[(0.5, 0.2)] * tried)), "reactive_strength_index")
        assert (row["value"] is None, row["flags"]) == (code is not None, code)


@pytest.mark.mode(27)
def test_too_few_valid_hops_give_no_value_and_say_so() -> None:
    times = [(0.5, 0.2)] * 5 + [(0.5, 0.3)] * 5
    row = only(values(*hops(*times)), "reactive_strength_index")
    assert (row["value"], row["flags"]) == (None, "few_hops")
    assert roles(row) == {"first_hop": 1, "best_hop": 4, "invalid_hop": 5}


def test_hop_stiffness_is_the_mean_of_the_hops_after_the_first() -> None:
    # Dalleau 2004 worked for 75 kg, 0.180 s, 0.500 s: 28.8427 kN/m each; a stiffer first hop is set aside.
    times = [(0.5, 0.12)] + [(0.5, 0.18)] * 5
    row = only(values(*hops(*times), kg=75.0), "hop_stiffness")
    assert row["value"] == pytest.approx(28.8427, abs=5e-5)
    assert roles(row) == {"first_hop": 1, "valid_hop": 5, "body_mass": 1}


def test_hops_that_do_not_count_are_no_part_of_the_stiffness() -> None:
    series = hops(*[(0.5, 0.18)] * 7)
    series[3]["mark"] = "failed"
    row = only(values(*series, kg=75.0), "hop_stiffness")
    assert row["value"] == pytest.approx(28.8427, abs=5e-5)
    assert (row["flags"], roles(row)["valid_hop"]) == (None, 5)
    series[4]["mark"] = "failed"
    row = only(values(*series, kg=75.0, provisional=True), "hop_stiffness")
    assert (row["value"], row["flags"]) == (None, "few_hops;mass_provisional")


def test_no_stiffness_without_mass_with_a_load_or_of_drop_jumps() -> None:
    series = hops(*[(0.5, 0.18)] * 10)
    drop = jump(test="drop_jump", contact_time_s=0.18, drop_height_m=0.3, hop=1)
    for rows, kg in (
        (series, None),
        (hops(*[(0.5, 0.18)] * 10, added_load_kg=10.0), 75.0),
        ([drop], 75.0),
    ):
        assert "hop_stiffness" not in set(values(*rows, kg=kg)["metric"])


def test_the_order_of_hops_in_the_file_does_not_matter() -> None:
    series = hops(*[(0.4 + hop / 100, 0.18 + hop / 200) for hop in range(10)])
    for metric in ("hop_stiffness", "reactive_strength_index"):
        first, second = (only(values(*rows, kg=70.0), metric)["value"] for rows in (series, series[::-1]))
        assert first == second

"""Loaded jumps as an occasion's values: what they are, and what keeps them from being made."""

from __future__ import annotations

from typing import Any

import numpy as np
import polars as pl
import pytest

from pipeline.metrics.contact_mat import flag, measure, profiles
from pipeline.numerics.physics import STANDARD_GRAVITY as G
from tests.metrics.trial_rows import jump, sessions_of, trial_rows
from tests.numerics.test_force_velocity import heights

PROFILE = ("jump_f0", "jump_v0", "jump_pmax", "jump_slope_of_optimum")
LOADS_KG = (0.0, 20.0, 40.0, 60.0)


def loaded(
    loads_kg: tuple[float, ...] = LOADS_KG, scatter: float = 0.0, **fields: Any
) -> list[dict[str, Any]]:
    """Two jumps a load of somebody of 80 kg with F0 35 N/kg and V0 3 m/s."""
    jumps = heights(35.0, 3.0, np.array(loads_kg) / 80.0)
    signs = [1 if number % 2 else -1 for number in range(len(loads_kg))]
    return [
        jump(
            trial=10 * number + again,
            added_load_kg=load,
            flight_time_s=float(np.sqrt(8 * height * (1 + scatter * sign) / G)),
            **fields,
        )
        for number, (load, height, sign) in enumerate(zip(loads_kg, jumps, signs, strict=True))
        for again in (1, 2)
    ]


def profile(*rows: dict[str, Any], kg: float | None = 80.0, **more: Any) -> pl.DataFrame:
    trials = trial_rows("jump_trials", *rows)
    said = {"push_off_distance_m": 0.38, "push_off_distance_row_id": "way", "push_off_distance_age_days": 3}
    made = measure(flag(trials), sessions_of(trials, kg=kg, **{**said, **more}))
    return made.filter(pl.col("metric").is_in(PROFILE)).sort("metric")


def test_the_values_of_a_known_line() -> None:
    made = profile(*loaded())
    found = dict(made.select("metric", "value").iter_rows())
    assert found["jump_f0"] == pytest.approx(35.0)
    assert found["jump_v0"] == pytest.approx(3.0)
    assert found["jump_pmax"] == pytest.approx(26.25)
    assert set(made["flags"].to_list()) == {None}
    inputs = made["inputs"][0].struct.unnest()
    assert set(inputs["source_table"]) == {"jump_trials", "body_readings"}
    assert inputs.height == 8 + 2


def test_loads_are_not_told_apart_by_the_order_of_rows() -> None:
    rows = loaded(scatter=0.02)
    first, again = profile(*rows), profile(*rows[::-1])
    assert first["value"].to_list() == pytest.approx(again["value"].to_list())


@pytest.mark.parametrize(
    ("rows", "more", "code"),
    [
        (loaded((0.0, 20.0, 40.0)), {}, "few_loads"),
        (loaded((0.0, 5.0, 10.0, 15.0)), {}, "few_loads"),
        (loaded(), {"push_off_distance_m": None}, "push_off_unknown"),
        (loaded(), {"kg": None}, "push_off_unknown"),
        (loaded(scatter=0.2), {}, "points_off_line"),
        (loaded(LOADS_KG[::-1]), {"swap": True}, "line_not_falling"),
    ],
)
def test_no_value_and_why(rows: list[dict[str, Any]], more: dict[str, Any], code: str) -> None:
    more = dict(more)
    if more.pop("swap", False):  # the heaviest load jumps highest
        rows = [{**row, "added_load_kg": 60.0 - row["added_load_kg"]} for row in rows]
        more_kg = [row["added_load_kg"] for row in rows]
        rows = [
            {**row, "flight_time_s": row["flight_time_s"] * (1 + kg / 60)}
            for row, kg in zip(rows, more_kg, strict=True)
        ]
    made = profile(*rows, **more)
    assert made.height == len(PROFILE)
    assert made["value"].null_count() == len(PROFILE)
    assert all(code in text for text in made["flags"])


def test_two_loads_are_no_profile_and_say_nothing() -> None:
    assert profile(*loaded((0.0, 20.0))).is_empty()


def test_one_leg_jumps_and_failed_ones_are_left_out() -> None:
    assert profile(*loaded(leg="left")).is_empty()
    rows = loaded()
    spoilt = [{**rows[0], "trial": 99, "flight_time_s": 0.9, "mark": "failed"}]
    assert profile(*rows, *spoilt)["value"].to_list() == pytest.approx(profile(*rows)["value"].to_list())


def test_a_later_push_off_distance_is_provisional() -> None:
    made = profile(*loaded(), push_off_distance_age_days=-20)
    assert all("length_provisional" in text for text in made["flags"])
    assert made["value"].null_count() == 0


def test_the_lines_as_fits() -> None:
    trials = trial_rows("jump_trials", *loaded(), *loaded((0.0, 20.0, 40.0), athlete_id="A2"))
    about = {"push_off_distance_m": 0.38, "push_off_distance_age_days": 0}
    made = profiles(flag(trials), sessions_of(trials, kg=80.0, **about)).sort("athlete_id")
    assert made["n"].to_list() == [4, 3]
    assert made["why_not"].to_list() == [None, "Too few loads, or too near each other, for a line."]
    assert made["values"][1] is None
    values = {one["name"]: one["value"] for one in made["values"][0]}
    assert values == pytest.approx(
        {"f0": 35.0, "v0": 3.0, "pmax": 26.25, "push_off_distance": 0.38, "body_mass": 80.0}
    )

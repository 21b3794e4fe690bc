"""Countermovement against squat jumps, and drop jumps by box height."""

from __future__ import annotations

import math
from typing import Any

import numpy as np
import polars as pl
import pytest

from pipeline.metrics.contact_mat import flag, measure
from schemas.catalogue import CATALOGUE
from tests.metrics.trial_rows import jump, sessions_of, trial_rows


def values(*rows: dict[str, Any]) -> pl.DataFrame:
    trials = trial_rows("jump_trials", *rows)
    return measure(flag(trials), sessions_of(trials))


def of(frame: pl.DataFrame, metric: str) -> pl.DataFrame:
    return frame.filter(pl.col("metric") == metric)


def two(counter: list[float], squat: list[float], **fields: Any) -> list[dict[str, Any]]:
    """Jumps with these heights [cm]."""

    def flight(cm: float) -> float:
        return math.sqrt(8 * cm / 100 / 9.80665)

    made = [("countermovement_jump", cm) for cm in counter] + [("squat_jump", cm) for cm in squat]
    return [
        jump(test=test, trial=number, flight_time_s=flight(cm), **fields)
        for number, (test, cm) in enumerate(made, 1)
    ]


def test_the_ratio_is_of_the_means_of_the_trials_that_count() -> None:
    rows = two([40.0, 42.0, 44.0], [38.0, 40.0])
    rows[0] |= {"mark": "failed"}
    made = of(values(*rows), "eccentric_utilisation_ratio")
    assert made["value"].to_list() == pytest.approx([43.0 / 39.0])
    assert set(made["inputs"][0].struct.field("role")) == {"countermovement_jump", "squat_jump"}


@pytest.mark.parametrize("other", [{"leg": "left"}, {"hands": "free"}, {"added_load_kg": 20.0}])
def test_set_ups_are_not_mixed(other: dict[str, Any]) -> None:
    rows = two([40.0], [])
    assert of(values(*rows, *two([], [38.0], **other)), "eccentric_utilisation_ratio").is_empty()


def test_without_own_scatter_the_published_noise_stands_in() -> None:
    """One trial each: sqrt(2) times the 3.5 % of a trial of jump_height."""
    made = of(values(*two([40.0], [40.0])), "eccentric_utilisation_ratio")
    assert made["standard_error"].to_list() == pytest.approx([0.035 * math.sqrt(2)])


def test_intervals_hold_the_truth() -> None:
    """95 % intervals of 1500 simulated occasions, 3 and 2 trials with 4 % of noise: 94.7 % when written."""
    draws = np.random.default_rng(4).standard_normal((1500, 5)) * 0.04
    rows = [
        row
        for number, noise in enumerate(draws)
        for row in two(list(44 * (1 + noise[:3])), list(40 * (1 + noise[3:])), athlete_id=f"A{number}")
    ]
    made = of(values(*rows), "eccentric_utilisation_ratio")
    held = ((made["value"] - 1.1).abs() <= 1.96 * made["standard_error"]).mean()
    assert made.height == 1500
    assert 0.93 <= float(held or 0) <= 0.97  # type: ignore[arg-type]


def drop(box_m: float, flight_s: float, contact_s: float = 0.2, **fields: Any) -> dict[str, Any]:
    return jump(
        test="drop_jump", drop_height_m=box_m, flight_time_s=flight_s, contact_time_s=contact_s, **fields
    )


def test_of_boxes_that_are_nearly_equal_the_lowest_is_named() -> None:
    flat = values(drop(0.2, 0.500), drop(0.3, 0.505), drop(0.4, 0.508), drop(0.5, 0.40))
    assert of(flat, "drop_height_profile")["value"].to_list() == [20.0]
    steep = values(drop(0.2, 0.40), drop(0.3, 0.45), drop(0.4, 0.52), drop(0.5, 0.42))
    assert of(steep, "drop_height_profile")["value"].to_list() == [40.0]


def test_boxes_with_long_contacts_are_out_of_the_choice() -> None:
    rows = [drop(0.2, 0.45, 0.24), drop(0.3, 0.50, 0.24), drop(0.4, 0.65, 0.26)]
    assert of(values(*rows), "drop_height_profile")["value"].to_list() == [30.0]
    none = of(values(*(row | {"contact_time_s": 0.3} for row in rows)), "drop_height_profile")
    assert none["value"].to_list() == [None]
    assert none["flags"].to_list() == ["contact_long"]


def test_two_boxes_are_no_profile() -> None:
    rows = [drop(0.2, 0.45), drop(0.3, 0.50), drop(0.4, 0.55, mark="failed")]
    assert of(values(*rows), "drop_height_profile").is_empty()


def test_two_legs_against_one_and_one() -> None:
    both = two([40.0, 44.0], [])
    alone = [*two([20.0], [], leg="left"), *two([22.0, 26.0], [], leg="right")]
    made = of(values(*both, *alone), "bilateral_index")
    # 100 x 42 / (20 + 24) - 100, by hand.
    assert made["value"].to_list() == pytest.approx([-4.5454545])
    assert set(made["inputs"][0].struct.field("role")) == {"both", "left", "right"}
    mirrored = [*two([22.0, 26.0], [], leg="left"), *two([20.0], [], leg="right")]
    assert of(values(*both, *mirrored), "bilateral_index")["value"].to_list() == made["value"].to_list()
    assert of(values(*both, *alone[:1]), "bilateral_index").is_empty()


def test_flight_to_contact_is_another_metric_than_reactive_strength_and_off() -> None:
    drop = jump(test="drop_jump", flight_time_s=0.55, contact_time_s=0.20, drop_height_m=0.3)
    made = values(drop)
    assert of(made, "flight_to_contact_ratio")["value"].to_list() == pytest.approx([2.75])
    assert of(made, "reactive_strength_index")["value"].to_list() == pytest.approx([1.85407], abs=1e-5)
    assert not CATALOGUE["flight_to_contact_ratio"].on

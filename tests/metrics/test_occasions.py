"""What is known of an athlete on the day: the nearest length before it, else the next one after."""

from __future__ import annotations

import datetime as dt
from typing import Any

import polars as pl
import pytest

from pipeline.metrics.body_measures import flag, measure
from pipeline.metrics.occasions import occasions
from tests.metrics.trial_rows import jump, sessions_of, trial_rows

PEOPLE = pl.DataFrame({"athlete_id": ["A1"], "sex": ["female"], "equation": [None], "fat": [None]}).cast(
    pl.String
)


def way(metres: float, day: int, **fields: Any) -> dict[str, Any]:
    return {
        "quantity": "push_off_distance",
        "value": metres,
        "unit": "m",
        "reading": 1,
        "day": dt.date(2026, 3, day),
        **fields,
    }


def on(day: int, *readings: dict[str, Any]) -> dict[str, Any]:
    body = trial_rows("body_readings", *readings)
    jumps = trial_rows("jump_trials", jump(day=dt.date(2026, 3, day)))
    sessions = sessions_of(body, jumps).drop("sex", "equation", "fat")
    found = occasions(sessions, body, PEOPLE).filter(pl.col("session_date") == dt.date(2026, 3, day))
    return found.row(0, named=True)


@pytest.mark.parametrize(("day", "metres", "age"), [(1, 0.36, -2), (3, 0.36, 0), (8, 0.36, 5), (12, 0.40, 2)])
def test_the_last_reading_up_to_the_day_else_the_next(day: int, metres: float, age: int) -> None:
    found = on(day, way(0.36, 3), way(0.40, 10))
    assert found["push_off_distance_m"] == metres
    assert found["push_off_distance_age_days"] == age
    assert found["sex"] == "female"


def test_readings_of_a_day_are_averaged_and_failed_ones_left_out() -> None:
    found = on(3, way(0.36, 3), way(0.38, 3, reading=2), way(0.60, 3, reading=3, mark="failed"))
    assert found["push_off_distance_m"] == pytest.approx(0.37)
    assert on(3)["push_off_distance_m"] is None


def tall(metres: float, **fields: Any) -> dict[str, Any]:
    return {"quantity": "stature", "value": metres, "unit": "m", "reading": 1, **fields}


def bins(kg: float | None = 48.0, stature: float = 1.58, **about: Any) -> list[tuple[float, str]]:
    rows = trial_rows("body_readings", tall(stature))
    said = {"sex": "male", "age_years": 13.2, **about}
    made = measure(flag(rows), sessions_of(rows, kg=kg, **said))
    found = made.filter(pl.col("metric") == "maturity_bin")
    return list(found.select("value", "equation").iter_rows())


def test_maturity_in_bins_by_the_better_of_two_equations() -> None:
    seated = {"sitting_height_m": 0.82, "sitting_height_row_id": "s", "sitting_height_age_days": 0}
    assert bins(**seated) == [(0.0, "sitting_height")]
    assert bins() == [(0.0, "stature")]
    assert bins(**{**seated, "sitting_height_age_days": 31}) == [(0.0, "stature")]
    assert bins(**{**seated, "sitting_height_m": 0.95}) == [(0.0, "stature")]  # 60 % of the stature
    assert bins(kg=None, **seated) == [(0.0, "stature")]
    assert bins(age_years=11.0, stature=1.45) == [(-1.0, "stature")]
    assert bins(age_years=16.5, stature=1.80) == [(1.0, "stature")]


@pytest.mark.parametrize(
    "about", [{"age_years": 19.0}, {"age_years": None}, {"sex": None}, {"age_years": 7.0}]
)
def test_no_bin_of_adults_or_where_age_or_sex_is_not_known(about: dict[str, Any]) -> None:
    assert bins(**about) == []

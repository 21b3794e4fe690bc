"""The registry: what repeats say, what is borrowed, and that a past week stays as it was."""

from __future__ import annotations

import numpy as np
import polars as pl
import pytest
from polars.testing import assert_frame_equal

from pipeline.analysis.reliability import reliability
from schemas.catalogue import TypicalError
from schemas.frames import empty
from schemas.tables import TABLES
from tests.analysis.session_values import Hall
from tests.calibration.athletes import Cell, World, simulate
from tests.calibration.judge import usable_days

RNG = np.random.default_rng(8)


def last(registry: pl.DataFrame) -> dict[str, object]:
    return registry.filter(pl.col("week") == pl.col("week").max()).row(0, named=True)


def registry_of(world: World) -> pl.DataFrame:
    days = usable_days(world)
    return reliability(
        days, world.frames["measurements"], world.frames["sexes"], world.catalogue, world.weeks
    )


@pytest.fixture(scope="module")
def world() -> World:
    return simulate(Cell("weekly", learning=(4.0, 0.0)), 1, 60, seed=3)


def test_weekly_tests_find_the_errors_that_are_there(world: World) -> None:
    """60 people, 27 weeks: 2.5 % from day to day, 3 % a trial, so 3.04 % a session of three."""
    found = last(registry_of(world))
    assert found["trial_error"] == pytest.approx(3.0, abs=0.1)
    assert found["session_error"] == pytest.approx(3.04, abs=0.15)
    assert found["error_low"] < found["session_error"] < found["error_high"]
    assert found["session_error_robust"] == pytest.approx(3.04, rel=0.1)
    mdc95 = 1.959964 * np.sqrt(2) * np.log1p(found["session_error"] / 100)  # on the log scale
    assert found["mdc95"] == pytest.approx(100 * np.expm1(mdc95), rel=1e-5)
    assert (found["origin"], found["n_athletes"], found["error_unit"]) == ("blended", 60, "%")
    assert found["learning"] == pytest.approx(4.0, abs=1.0)
    assert found["learning_low"] < found["learning"] < found["learning_high"]
    assert found["smallest_worthwhile"] == pytest.approx(2.0, abs=0.5)  # 0.2 of 10 % between athletes
    # Athletes differ by 10 %, a session by 3.04 %: 100 / (100 + 9.2).
    assert found["icc_consistency"] == pytest.approx(0.915, abs=0.04)
    assert found["icc_agreement"] == pytest.approx(found["icc_consistency"], abs=0.01)


def test_tests_four_weeks_apart_are_no_repeats(world: World) -> None:
    apart = simulate(Cell("4-weekly", 4), 1, 60, seed=3)
    found = last(registry_of(apart))
    lent = apart.catalogue["jump_0"].typical_error
    assert lent is not None and (found["origin"], found["n_pairs"]) == ("published", 0)
    assert found["session_error"] == pytest.approx(lent.session) and found["degrees_of_freedom"] == 10
    assert found["trial_error"] == pytest.approx(
        3.0, abs=0.2
    )  # trials of one session are repeats all the same


def repeats(n: int, error: float, **more: object) -> Hall:
    hall = Hall()
    hall.catalogue["jump_height"] = hall.catalogue["jump_height"].model_copy(update={"typical_error": None})
    for athlete in range(n):
        values = 30 * np.exp(RNG.normal(0, error / 100, 2))
        hall.add(f"a{athlete}", [0, 7], values, **more)  # type: ignore[arg-type]
    return hall


def test_a_metric_without_a_published_error_waits_for_own_repeats() -> None:
    few, enough = last(repeats(4, 3.0).registry()), last(repeats(30, 3.0).registry())
    assert few["session_error"] is None and few["mdc95"] is None and few["origin"] is None
    assert enough["origin"] == "own" and enough["session_error"] == pytest.approx(3.0, rel=0.4)


@pytest.mark.mode(55)
def test_people_not_fully_available_say_nothing_of_error() -> None:
    assert last(repeats(30, 3.0, available="limited").registry())["session_error"] is None


def test_a_training_block_between_two_tests_parts_them() -> None:
    hall = repeats(30, 3.0, squad="Rowers")
    hall.event("block", 3, 40, squad="Rowers")
    assert last(hall.registry())["n_pairs"] == 0


def test_youths_have_an_error_of_their_own_where_it_is_known() -> None:
    hall = repeats(40, 2.0)
    for athlete in range(40):
        hall.add(f"y{athlete}", [0, 7], 25 * np.exp(RNG.normal(0, 0.06, 2)), age=14.0)
        hall.add(
            f"z{athlete}", [0, 10], 25 * np.exp(RNG.normal(0, 0.5, 2)), age=14.0
        )  # too far apart for youths
    rows = hall.registry().filter(pl.col("week") == pl.col("week").max()).sort("age_class")
    adult, youth = rows["session_error"].to_list()
    assert adult == pytest.approx(2.0, rel=0.3) and youth == pytest.approx(6.0, rel=0.3)


def test_a_within_day_error_never_stands_in_for_a_session() -> None:
    hall = repeats(2, 3.0)
    only_trial = TypicalError(trial=2.0, source="a study", verified="made up")
    metric = hall.catalogue["jump_height"].model_copy(update={"typical_error": only_trial})
    hall.catalogue["jump_height"] = metric
    found = last(hall.registry())
    assert found["trial_error"] == pytest.approx(2.0) and found["session_error"] is None


def test_the_coachs_smallest_worthwhile_change_comes_first() -> None:
    hall = repeats(30, 3.0)
    metric = hall.catalogue["jump_height"].model_copy(update={"smallest_worthwhile": 1.5})
    hall.catalogue["jump_height"] = metric
    found = last(hall.registry())
    assert found["worthwhile_origin"] == "coach"
    assert found["smallest_worthwhile"] == pytest.approx(5.0, rel=0.05)  # 1.5 of about 30 cm


def test_later_tests_never_change_a_past_week_and_the_order_of_rows_changes_nothing(world: World) -> None:
    whole = registry_of(world)
    days = usable_days(world)
    early = days.filter(pl.col("local_date") <= world.weeks[9])
    rows = reliability(
        early, world.frames["measurements"], world.frames["sexes"], world.catalogue, world.weeks[:10]
    )
    assert_frame_equal(rows, whole.filter(pl.col("week") <= world.weeks[9]))
    mixed = reliability(
        days.sort("metric", "series_id", "athlete_id", "local_date"),
        world.frames["measurements"].sample(fraction=1.0, shuffle=True, seed=1),
        world.frames["sexes"].reverse(),
        world.catalogue,
        world.weeks,
    )
    assert_frame_equal(mixed, whole)
    assert whole["reliability_id"].n_unique() == whole.height


def test_nothing_tested_is_an_empty_table() -> None:
    hall = Hall()
    days = hall.days()
    found = reliability(
        days,
        empty(TABLES["measurements"]),
        pl.DataFrame(schema={"athlete_id": pl.String, "sex": pl.String}),
        hall.catalogue,
        [],
    )
    assert_frame_equal(found, empty(TABLES["reliability"]))

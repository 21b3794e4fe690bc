"""Changes: what they are counted from, in which direction, and what may not move them."""

from __future__ import annotations

from datetime import timedelta

import numpy as np
import polars as pl
import pytest
from polars.testing import assert_frame_equal

from pipeline.analysis.changes import changes_table, expected_false_calls
from pipeline.analysis.squads import squad_changes
from pipeline.analysis.trends import trends
from tests.analysis.session_values import MONDAY, Hall

DAYS = list(range(0, 140, 7))


def climbing(metric: str = "jump_height", start: float = 30.0, rise: float = 0.5, **more: object) -> Hall:
    hall = Hall(metric)
    values = [start] * 3 + [start + rise * n for n in range(1, len(DAYS) - 2)]
    hall.add("a", DAYS, values, **more)  # type: ignore[arg-type]
    return hall


def last(hall: Hall, span: str = "since_baseline") -> dict[str, object]:
    rows = changes_table(hall.followed()).filter(pl.col("span") == span)
    return rows.sort("as_of").row(-1, named=True)


def test_who_rises_is_better_and_the_estimate_comes_with_its_interval() -> None:
    found = last(climbing())
    assert found["verdict"] == "better" and found["direction"] == "up" and found["basis"] == "trend"
    assert found["change_low"] < found["change"] < found["change_high"]
    assert found["from_value"] == pytest.approx(30, abs=1) and found["to_value"] == pytest.approx(38, abs=1)
    assert found["change"] == pytest.approx(found["to_value"] - found["from_value"])
    assert found["change_percent"] == pytest.approx(100 * found["change"] / found["from_value"])
    assert found["p_better"] + found["p_within"] + found["p_worse"] == pytest.approx(1)
    assert found["odds"] == "about 99 in 100 that it is better" and found["sessions_needed"] == 0
    assert (found["n_before"], found["n_after"]) == (3, len(DAYS) - 3)


def test_where_lower_is_better_a_rise_is_worse() -> None:
    found = last(climbing("sprint_time", 4.0, 0.05))
    assert (found["verdict"], found["direction"]) == ("worse", "up")


def test_a_context_metric_has_a_direction_and_no_verdict() -> None:
    found = last(climbing("body_mass", 70.0, 0.8))
    assert found["direction"] == "up"
    assert all(found[name] is None for name in ("verdict", "p_better", "p_worse", "odds", "sessions_needed"))


def test_who_never_changes_is_never_called_anything() -> None:
    hall = Hall()
    hall.add("a", DAYS, [30.0] * len(DAYS))
    words = set(hall.followed()["verdict"].to_list())
    assert words <= {"cannot_tell", "no_clear_change"}


def test_another_unit_gives_the_same_per_cent() -> None:
    cm, tenths = last(climbing(start=30.0, rise=0.5)), last(climbing(start=300.0, rise=5.0))
    for name in ("change_percent", "change_percent_low", "p_better", "p_within"):
        assert cm[name] == pytest.approx(tenths[name])


def test_later_tests_change_no_earlier_week() -> None:
    whole, early = climbing(), climbing()
    early.rows = early.rows[:12]
    until = MONDAY + timedelta(days=DAYS[11])
    found = changes_table(whole.followed()).filter(pl.col("as_of") <= until)
    assert_frame_equal(found, changes_table(early.followed()))


def test_two_tests_are_values_against_values() -> None:
    """5.8 % borrowed, ten degrees of freedom: 36 against 30 cm, 1.81 sqrt 2 x 5.64 % off at the most."""
    hall = Hall()
    hall.add("a", [0, 7], [30.0, 36.0])
    found = last(hall)
    assert (found["basis"], found["verdict"]) == ("pairs", "cannot_tell")  # one look never leans
    assert (found["from_value"], found["to_value"]) == (pytest.approx(30), pytest.approx(36))
    half = 1.8125 * np.sqrt(2) * np.log(1.058)
    assert np.log(36 / 30) - np.log(1 + found["change_percent_low"] / 100) == pytest.approx(half, rel=1e-3)


def test_a_baseline_is_of_the_first_three_who_were_well_and_knew_the_test() -> None:
    hall = Hall()
    hall.add("a", [0], [20.0], flags="familiarisation")
    hall.add("a", [7], [22.0], available="limited")
    hall.add("a", [14, 21, 28, 35, 42], [30.0] * 5)
    rows = changes_table(hall.followed()).filter(pl.col("span") == "since_baseline").sort("as_of")
    found = rows.row(-1, named=True)
    assert found["from_date"] == MONDAY + timedelta(days=28) and found["from_value"] == pytest.approx(
        30, abs=0.2
    )
    assert found["n_before"] == 3 and rows["as_of"].min() == MONDAY + timedelta(days=21)


def test_spans_compare_with_what_the_contract_says() -> None:
    hall = Hall()
    days = [0, 30, 200, 250, 300, 366, 380, 390, 400]  # 366: the day a year before the last but one … 400
    hall.add("a", days, [30.0 + n for n in range(9)], squad="Rowers")
    hall.event("block", 385, 500, squad="Rowers")
    followed = hall.followed(season_start="09-10")
    rows = followed.filter(pl.col("to_date") == MONDAY + timedelta(days=400))
    found = {span: (date - MONDAY).days for span, date in rows.select("span", "from_date").iter_rows()}
    # 400 days after 6 January 2025 is 10 February 2026; the season began on 10 September 2025, day 247.
    assert found == {
        "since_baseline": 200,
        "since_last": 390,
        "since_usual": 390,
        "since_season_start": 250,
        "since_year": 30,
        "since_block": 380,
    }
    assert rows.filter(pl.col("span") == "since_usual")["n_before"].item() == 8


def test_a_block_without_tests_before_is_counted_from_the_first_soon_after() -> None:
    hall = Hall()
    hall.add("a", [70, 80, 90], [30.0] * 3, squad="Rowers")
    hall.event("block", 60, 120, squad="Rowers")
    found = hall.followed().filter(pl.col("span") == "since_block")
    assert set(found["from_date"]) == {MONDAY + timedelta(days=70)}


def test_a_metric_without_a_known_error_has_no_change_and_no_trend() -> None:
    hall = climbing()
    metric = hall.catalogue["jump_height"].model_copy(update={"typical_error": None})
    hall.catalogue["jump_height"] = metric
    for n in range(3):  # too few repeats to know
        hall.rows = hall.rows[: 3 + n]
        assert hall.followed().is_empty()
        assert trends(hall.days(), hall.registry(), hall.catalogue).is_empty()


def test_the_coachs_worthwhile_change_decides() -> None:
    small, large = climbing(), climbing()
    for hall, worth in ((small, 0.5), (large, 12.0)):
        metric = hall.catalogue["jump_height"].model_copy(update={"smallest_worthwhile": worth})
        hall.catalogue["jump_height"] = metric
        assert last(hall)["smallest_worthwhile"] == pytest.approx(worth)
    assert last(small)["verdict"] == "better" and last(large)["verdict"] in ("no_clear_change", "cannot_tell")


def test_calls_are_counted_once_as_new() -> None:
    table = expected_false_calls(climbing().followed()).filter(pl.col("span") == "since_baseline")
    assert table["n_new"].sum() == 1 and table["n_better"].sum() > 1
    assert (table["expected_false_new"] <= table["expected_false_standing"] + 1e-12).all()
    assert table["expected_false_standing"].max() < 0.1  # of one athlete


def test_a_trend_says_what_was_known_then() -> None:
    hall = climbing()
    table = trends(hall.days(), hall.registry(), hall.catalogue)
    assert table.height == len(DAYS) and table["stretch"].to_list() == [1] * len(DAYS)
    assert table["estimate"][-1] == pytest.approx(table["estimate_then"][-1])
    assert (table["estimate_low"] < table["estimate"]).all() and (
        table["estimate"] < table["estimate_high"]
    ).all()
    assert table["estimate_then"][0] == pytest.approx(30.0)


def squad(values: list[tuple[float, float]]) -> Hall:
    hall = Hall()
    for n, (before, after) in enumerate(values):
        hall.add(f"a{n}", [0, 7], [before, after], squad="Rowers")
    return hall


def squad_table(hall: Hall) -> pl.DataFrame:
    table = squad_changes(hall.followed(), hall.tables()["session_squads"], hall.catalogue)
    return table.filter(pl.col("span") == "since_baseline")


def test_a_squads_change_is_the_mean_with_students_interval() -> None:
    """Six people, each 5 % up, give or take: by hand, t of five degrees of freedom 2.0150."""
    ratios = np.array([1.02, 1.08, 1.05, 1.03, 1.07, 1.05])
    found = squad_table(squad([(30.0, 30.0 * r) for r in ratios])).row(0, named=True)
    logs = np.log(ratios)
    half = 2.0150 * logs.std(ddof=1) / np.sqrt(6)
    assert found["n_athletes"] == 6 and found["unit"] == "%"
    assert found["change"] == pytest.approx(100 * np.expm1(logs.mean()))
    assert found["change_high"] == pytest.approx(100 * np.expm1(logs.mean() + half), rel=1e-3)
    assert found["spread_of_response"] is None and found["spread_of_response_low"] == 0  # less than noise


def test_people_who_part_company_show_a_spread() -> None:
    found = squad_table(squad([(30.0, 30.0 * r) for r in (0.7, 0.8, 1.0, 1.2, 1.4, 1.6)])).row(0, named=True)
    assert found["spread_of_response"] > 15 and found["spread_of_response_high"] > found["spread_of_response"]


def test_a_squad_of_four_is_not_written() -> None:
    assert squad_table(squad([(30.0, 31.0)] * 4)).is_empty()

"""Personal bests, and where people are after an injury."""

from __future__ import annotations

from datetime import timedelta

import polars as pl
import pytest

from pipeline.analysis.bests import personal_bests
from pipeline.analysis.returns import returns
from pipeline.analysis.trends import trends
from schemas.catalogue import CATALOGUE
from tests.analysis.session_values import MONDAY, Hall, table


def bests(metric: str, values: list[float], used: bool = True) -> pl.DataFrame:
    rows = [
        {
            "measurement_id": f"m{day}", "athlete_id": "a", "metric": metric, "series_id": "s", "trial": 1,
            "local_date": MONDAY + timedelta(days=day), "value": value, "unit": "x", "used": used,
        }
        for day, value in enumerate(values)
    ]  # fmt: skip
    return personal_bests(table("measurements", rows), CATALOGUE)


def test_the_best_and_the_best_before_it() -> None:
    found = bests("jump_height", [30.0, 32.0, 31.0, 33.0, 33.0]).row(0, named=True)
    assert (found["value"], found["previous_value"], found["measurement_id"]) == (33.0, 32.0, "m3")
    lower = bests("sprint_time", [4.5, 4.4, 4.6]).row(0, named=True)
    assert (lower["value"], lower["previous_value"]) == (4.4, 4.5)
    assert bests("jump_height", [30.0])["previous_value"].item() is None


def test_what_is_not_used_or_has_no_better_is_no_best() -> None:
    assert bests("jump_height", [30.0], used=False).is_empty()
    assert bests("body_mass", [70.0]).is_empty()


def hurt(after: list[float], before: bool = True) -> Hall:
    hall = Hall()
    hall.sides = ("left", "right")
    for side, level in (("l", 20.0), ("r", 21.0)):
        if before:
            hall.add("a", [0, 7, 14, 21], [level] * 4, series=side)
        hall.add("a", [60 + 7 * n for n in range(len(after))], [v if side == "l" else level for v in after],
                 series=side, available="limited")  # fmt: skip
    hall.event("injury", 30, 90, athlete="a")
    return hall


def table_of(hall: Hall) -> pl.DataFrame:
    days, registry, t = hall.days(), hall.registry(), hall.tables()
    levels = trends(days, registry, hall.catalogue)
    return returns(levels, days, registry, t["events"], t["series"], hall.catalogue).sort("series_id")


def test_the_level_now_against_the_one_before() -> None:
    found = table_of(hurt([16.0, 17.0])).row(0, named=True)
    assert found["before_value"] == pytest.approx(20.0) and found["now_value"] < 18
    assert found["percent_of_before"] == pytest.approx(100 * found["now_value"] / 20.0)
    assert found["percent_of_before_low"] < found["percent_of_before"] < found["percent_of_before_high"]
    assert found["percent_of_other_side"] == pytest.approx(100 * 17.0 / 21.0)
    assert found["percent_of_other_side_low"] < 81 < found["percent_of_other_side_high"]


def test_what_comes_after_never_moves_the_level_before() -> None:
    one, more = table_of(hurt([16.0])), table_of(hurt([16.0, 19.0, 12.0]))
    assert one["before_value"].to_list() == more["before_value"].to_list()


def test_without_an_own_level_before_there_is_no_per_cent_of_it() -> None:
    found = table_of(hurt([16.0, 17.0], before=False)).row(0, named=True)
    assert found["before_value"] is None and found["percent_of_before"] is None
    assert found["percent_of_other_side"] is not None


def test_who_was_not_hurt_has_no_row() -> None:
    hall = hurt([16.0])
    hall.events = []
    assert table_of(hall).is_empty()

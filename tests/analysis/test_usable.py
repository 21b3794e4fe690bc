"""Which sessions count, and where a level starts anew."""

from __future__ import annotations

import pytest

from tests.analysis.session_values import Hall


def anew(hall: Hall) -> list[bool]:
    return hall.days()["anew"].to_list()


def test_a_long_gap_starts_a_level_anew() -> None:
    hall = Hall()
    hall.add("a", [0, 90, 181], [30, 30, 30])
    assert anew(hall) == [True, False, True]


@pytest.mark.parametrize(
    ("kind", "begin", "end", "starts"),
    [
        ("injury", 8, 10, [True, False, True, False]),
        ("illness", 15, 20, [True, False, False, True]),
        ("break", 8, 12, [True, False, False, False]),  # under four weeks
        ("block", 8, 40, [True, False, False, False]),
    ],
)
def test_an_event_cuts_its_athlete_alone(kind: str, begin: int, end: int, starts: list[bool]) -> None:
    hall = Hall()
    for athlete in ("a", "b"):
        hall.add(athlete, [0, 7, 14, 21], [30] * 4)
    hall.event(kind, begin, end, athlete="a")
    assert anew(hall) == [*starts, True, False, False, False]


def test_a_long_break_of_a_squad_cuts_its_members() -> None:
    hall = Hall()
    hall.add("a", [0, 7, 50], [30] * 3, squad="Rowers")
    hall.add("b", [0, 7, 50], [30] * 3, squad="Sailors")
    hall.event("break", 10, 45, squad="Rowers")
    assert anew(hall) == [True, False, True, True, False, False]


@pytest.mark.mode(55)
def test_not_being_fully_available_is_a_stretch_of_its_own() -> None:
    hall = Hall()
    hall.add("a", [0, 7], [30, 30])
    hall.add("a", [14, 21], [25, 26], available="limited")
    hall.add("a", [28], [30])
    assert anew(hall) == [True, False, True, False, True]
    assert hall.days()["full"].to_list() == [True, True, False, False, True]


def test_a_day_has_one_value_and_codes_that_exclude_take_a_value_out() -> None:
    hall = Hall()
    hall.add("a", [0, 0], [30, 32])
    hall.add("a", [7], [60], flags="range_hard")
    hall.add("a", [9], [31], flags="mass_provisional")
    days = hall.days()
    assert days["value"].to_list() == [31.0] and days["n_trials"].to_list() == [6.0]


def test_age_unknown_counts_as_youth() -> None:
    hall = Hall()
    hall.add("a", [0], [30], age=None)
    hall.add("b", [0], [30], age=18.0)
    assert hall.days()["age_class"].to_list() == ["youth", "adult"]

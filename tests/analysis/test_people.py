"""The tables about people: no names, no birth dates, and the state on a date."""

from __future__ import annotations

from datetime import date

import polars as pl
import pytest

from pipeline.analysis.people import athletes_table, events_table
from schemas.models import table_model

ON = date(2026, 3, 15)
STATE = ("squad", "sport", "position", "competition_level", "status", "available")


def athletes_of(*rows: tuple[str, str | None, date | None]) -> pl.DataFrame:
    schema = {"athlete_id": pl.String, "sex": pl.String, "birth_date": pl.Date}
    return pl.DataFrame(rows, schema=schema, orient="row").with_columns(name=pl.lit("Ana Dahl"))


def states_of(*rows: dict[str, str]) -> pl.DataFrame:
    schema = dict.fromkeys(("athlete_id", *STATE), pl.String)
    return pl.DataFrame(rows, schema=schema).with_columns(on=pl.lit(ON))


def test_an_athlete_has_an_age_and_a_state_and_no_name() -> None:
    athletes = athletes_of(("a2", "female", date(2000, 3, 15)), ("a1", None, None))
    states = states_of({"athlete_id": "a2", "squad": "first|youth", "sport": "rowing", "available": "yes"})
    table = athletes_table(athletes, states, ON)
    table_model("athletes").validate(table, lazy=True)
    assert table.rows() == [
        ("a1", None, None, None, None, None, None, None),
        ("a2", "female", 26.0, "first|youth", "rowing", None, None, "yes"),
    ]


@pytest.mark.parametrize("day", [1, 15, 30])
def test_an_age_tells_no_more_than_the_month_of_birth(day: int) -> None:
    table = athletes_table(athletes_of(("a1", "male", date(2008, 9, day))), states_of(), ON)
    assert table["age_years"].to_list() == [17.5]


def events_of(*rows: tuple[str | None, str | None, str, str | None, date]) -> pl.DataFrame:
    schema = {"athlete_id": pl.String, "squad": pl.String, "kind": pl.String, "label": pl.String}
    return pl.DataFrame(rows, schema={**schema, "from_date": pl.Date}, orient="row").with_columns(
        to_date=pl.lit(None, pl.Date)
    )


BLOCK = (None, "first", "block", "Base", date(2026, 1, 5))
INJURY = ("a1", None, "injury", "Ankle", date(2026, 2, 1))


def test_events_of_squads_and_of_single_athletes_are_all_there() -> None:
    table = events_table(events_of(BLOCK, INJURY))
    table_model("events").validate(table, lazy=True)
    said = table.sort("from_date").select("athlete_id", "squad", "kind", "label", "from_date")
    assert said.rows() == [BLOCK, INJURY]
    assert events_table(events_of(INJURY, BLOCK)).equals(table)


def test_the_same_event_twice_is_one_and_any_difference_is_another() -> None:
    assert events_table(events_of(BLOCK, BLOCK)).height == 1
    others = [
        ("a1", *BLOCK[1:]),
        (None, "second", *BLOCK[2:]),
        (*BLOCK[:2], "camp", *BLOCK[3:]),
        (*BLOCK[:3], None, BLOCK[4]),
        (*BLOCK[:4], date(2026, 1, 6)),
    ]
    assert events_table(events_of(BLOCK, *others)).height == 6

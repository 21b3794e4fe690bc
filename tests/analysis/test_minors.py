"""Who counts as a minor on a day, and which values are of a minor's body."""

from __future__ import annotations

from datetime import date, timedelta

import polars as pl
import pytest
from hypothesis import given
from hypothesis import strategies as st

from pipeline.analysis.minors import of_minors, restricted_values
from schemas.catalogue import CATALOGUE


def births_of(**born: date | None) -> pl.DataFrame:
    schema = {"athlete_id": pl.String, "birth_date": pl.Date}
    return pl.DataFrame(list(born.items()), schema=schema, orient="row")


def is_minor(born: date | None, day: date | None) -> bool:
    row = pl.DataFrame({"who": ["a"], "day": [day]}, schema_overrides={"day": pl.Date})
    found = row.select(of_minors(births_of(a=born), pl.col("who"), pl.col("day"))).item()
    assert isinstance(found, bool)
    return found


@pytest.mark.parametrize(
    ("born", "day", "minor"),
    [
        (date(2008, 3, 10), date(2026, 3, 9), True),
        (date(2008, 3, 10), date(2026, 3, 10), False),
        (date(2008, 3, 10), date(2026, 3, 11), False),
        (date(2008, 2, 29), date(2026, 2, 28), True),  # the birthday is 1 March, as for ages
        (date(2008, 2, 29), date(2026, 3, 1), False),
        (date(1990, 1, 1), date(1989, 1, 1), True),
        (None, date(2026, 3, 9), True),
        (date(1990, 1, 1), None, True),
    ],
)
def test_adult_from_the_day_of_the_eighteenth_birthday(
    born: date | None, day: date | None, minor: bool
) -> None:
    assert is_minor(born, day) is minor


@given(st.dates(date(1950, 1, 1), date(2015, 1, 1)), st.integers(0, 15_000))
def test_as_counted_on_the_calendar(born: date, days: int) -> None:
    day = born + timedelta(days=days)
    completed = day.year - born.year - ((day.month, day.day) < (born.month, born.day))
    assert is_minor(born, day) is (completed < 18)


@pytest.mark.parametrize("births", [births_of(), births_of(b=date(1990, 1, 1))])
def test_somebody_who_is_not_on_the_roster_counts_as_a_minor(births: pl.DataFrame) -> None:
    row = pl.DataFrame({"who": ["a"], "day": [date(2026, 3, 9)]})
    assert row.select(of_minors(births, pl.col("who"), pl.col("day"))).item() is True


def test_only_values_of_how_a_body_is_composed_are_restricted() -> None:
    assert {name for name, metric in CATALOGUE.items() if metric.restricted_minors} >= {
        "skinfold_site", "skinfold_sum",
    }  # fmt: skip
    for name in ("body_mass", "stature", "jump_height"):
        assert not CATALOGUE[name].restricted_minors
    births = births_of(young=date(2010, 1, 1), adult=date(1995, 1, 1))
    rows = pl.DataFrame(
        [(metric, who) for metric in ("body_mass", "skinfold_sum") for who in ("young", "adult", "unknown")],
        schema=["metric", "athlete_id"],
        orient="row",
    ).with_columns(local_date=pl.lit(date(2026, 3, 9)))
    restricted = rows.filter(restricted_values(CATALOGUE, births))
    assert restricted.select("metric", "athlete_id").rows() == [
        ("skinfold_sum", "young"),
        ("skinfold_sum", "unknown"),
    ]

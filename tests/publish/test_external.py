"""The edition for others: who is in it, under which name, and how many share what is told of them."""

from __future__ import annotations

from datetime import date, timedelta
from itertools import pairwise
from pathlib import Path

import polars as pl
import pytest

from pipeline.publish.external import (
    consenting,
    consenting_by_week,
    external_key,
    external_results,
    pseudonym,
)
from schemas.frames import empty
from schemas.tables import TABLES
from tests.analysis.hall import FIRST, hall
from tests.analysis.test_norms import MONDAY, SUNDAY, on_day, results_of, roster

ADULT, CHILD = date(2000, 1, 1), date(2012, 1, 1)
KEY = bytes(range(32))


def agreed(rows: list[tuple[str, str, date, date | None, str]], born: date | None = ADULT) -> list[str]:
    schema = ["athlete_id", "purpose", "given_on", "withdrawn_on", "by"]
    consents = pl.DataFrame(rows, schema=schema, orient="row", schema_overrides={"withdrawn_on": pl.Date})
    people = pl.DataFrame(
        {"athlete_id": ["a"], "birth_date": [born]}, schema_overrides={"birth_date": pl.Date}
    )
    return consenting(consents, people, SUNDAY).to_list()


@pytest.mark.mode(61)
def test_consent_stands_from_the_day_given_until_the_day_withdrawn() -> None:
    early, later = date(2026, 1, 1), date(2026, 3, 16)
    assert agreed([("a", "external", early, None, "athlete")]) == ["a"]
    assert agreed([("a", "external", early, later, "athlete")]) == ["a"]
    assert agreed([("a", "external", early, SUNDAY, "athlete")]) == []
    assert agreed([("a", "external", later, None, "athlete")]) == []
    assert agreed([("a", "photographs", early, None, "athlete")]) == []


@pytest.mark.mode(58, 61)
def test_under_18_or_of_unknown_age_the_guardian_has_to_agree() -> None:
    early = date(2026, 1, 1)
    for born in (CHILD, None):
        assert agreed([("a", "external", early, None, "athlete")], born) == []
        assert agreed([("a", "external", early, None, "guardian")], born) == ["a"]


def test_consent_comes_and_goes_in_a_week() -> None:
    """Of the last week what counts is the day itself, where that is later than the Sunday."""
    weeks = [MONDAY - timedelta(days=14), MONDAY - timedelta(days=7), MONDAY]
    given, gone = weeks[1] + timedelta(days=2), SUNDAY + timedelta(days=2)
    consents = pl.DataFrame(
        [("a", "external", given, gone, "athlete")],
        schema=["athlete_id", "purpose", "given_on", "withdrawn_on", "by"], orient="row",
    )  # fmt: skip
    people = pl.DataFrame({"athlete_id": ["a"], "birth_date": [ADULT]})

    def present(valid_on: date) -> list[date]:
        return consenting_by_week(consents, people, weeks, valid_on)["week"].to_list()

    assert present(SUNDAY) == weeks[1:]
    assert present(gone) == weeks[1:2]


def test_a_pseudonym_is_rfc_4231s_hmac() -> None:
    """RFC 4231, test case 2: key "Jefe", data "what do ya want for nothing?" (from memory)."""
    assert pseudonym(b"Jefe", "what do ya want for nothing?") == "5bdcc146bf60754e"
    assert pseudonym(KEY, "a01") != pseudonym(KEY[::-1], "a01")


def test_the_key_is_made_once(tmp_path: Path) -> None:
    key = external_key(tmp_path / "external.key")
    assert len(key) == 32
    assert external_key(tmp_path / "external.key") == key
    assert external_key(tmp_path / "other.key") != key


LAST = date(2026, 3, 31)


def told(rowers: int, others: int, last: date = LAST) -> pl.DataFrame:
    who = [f"a{i:02d}" for i in range(rowers + others)]
    sports = pl.DataFrame({"athlete_id": who, "sport": ["rowing"] * rowers + ["judo"] * others})
    sports = sports.with_columns(week=pl.lit(date(2026, 3, 30)))
    series = empty(TABLES["series"]).select("series_id", "label")
    label = "test=jump; method=mat-1; measurer=Ann"
    series = pl.concat([series, pl.DataFrame({"series_id": ["body_mass-1"], "label": [label]})])
    return external_results(results_of(on_day(who, SUNDAY)), roster(who), sports, series, KEY, last)


def test_fewer_than_ten_alike_are_told_without_sport_or_not_at_all() -> None:
    assert told(9, 0).is_empty()
    assert told(10, 0)["sport"].unique().to_list() == ["rowing"]
    # Three without a sport beside the rowers would be three that one can tell.
    assert told(12, 3)["sport"].unique().to_list() == [None]
    both = told(12, 11)
    assert both.group_by("sport").len().sort("sport").rows() == [("judo", 11), ("rowing", 12)]


def test_a_month_is_told_when_it_is_over() -> None:
    assert told(12, 0, date(2026, 3, 30)).is_empty()
    assert told(12, 0).height == 12


def test_nothing_names_a_person_a_day_or_a_device() -> None:
    rows = told(12, 0)
    assert rows["month"].unique().to_list() == ["2026-03"]
    assert rows["series"].unique().to_list() == ["test=jump"]
    assert not set(rows["pseudonym"]) & {f"a{i:02d}" for i in range(12)}
    assert rows["pseudonym"].n_unique() == 12


CELL = ("sex", "age_band", "sport", "metric", "series", "month")


def test_who_has_two_weeks_files_does_not_learn_whose_pseudonym_is_new() -> None:
    """The attacker knows who was tested in a week, and looks what the second file has that the first lacks.
    Rows told as they come would be those of a few known ones; those told bring 10 alike at once or none."""
    held = hall(5, weeks=40, a_week=0.18)
    series = pl.DataFrame({"series_id": ["jump_height-1"], "label": ["test=jump; method=mat-1"]})
    files, days = [], []
    for week in range(20, 40):
        last = FIRST + timedelta(days=7 * week + 6)
        known = held.results.filter(pl.col("local_date") <= last)
        days.append(set(known.select("athlete_id", "local_date", "value").iter_rows()))
        files.append(external_results(known, held.people, held.states, series, KEY, last))
    assert files[-1]["month"].n_unique() >= 7
    alone, new = 0, 0
    for (before, after), (first, second) in zip(pairwise(files), pairwise(days), strict=True):
        came = after.join(before, on=after.columns, how="anti", nulls_equal=True)
        assert came.height == after.height - before.height  # and no row is taken back
        new += came.height > 0
        groups = came.group_by(*CELL).agg(pl.col("pseudonym").n_unique())
        assert came.is_empty() or groups["pseudonym"].min() >= 10  # type: ignore[operator]
        alone += len({who for who, *_ in second - first}) < 10
    assert new >= 4
    assert alone > 3
    sizes = files[-1].group_by(*CELL).agg(pl.col("pseudonym").n_unique())["pseudonym"]
    assert sizes.min() >= 10  # type: ignore[operator]
    assert files[-1]["sport"].n_unique() > 1

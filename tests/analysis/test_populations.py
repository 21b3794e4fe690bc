"""Age bands, seasons, and the ladder of populations."""

from __future__ import annotations

from datetime import date

import polars as pl
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from pipeline.analysis.populations import OwnPopulation, age_band, ladder, population_table, season_label
from schemas.models import table_model

SUNDAY = date(2026, 3, 15)
KEYS = ("sport", "position", "competition_level")


def _band(born: date | None, on: date) -> str | None:
    frame = pl.DataFrame({"birth_date": [born]}, schema={"birth_date": pl.Date})
    return frame.select(age_band(pl.col("birth_date"), on)).item()


@pytest.mark.parametrize(
    ("years", "band"),
    [
        (0, "<=11"), (11, "<=11"), (12, "12-13"), (13, "12-13"), (14, "14-15"), (15, "14-15"),
        (16, "16-17"), (17, "16-17"), (18, "18-22"), (22, "18-22"), (23, "23-29"), (29, "23-29"),
        (30, "30-39"), (39, "30-39"), (40, "40+"), (80, "40+"),
    ],
)  # fmt: skip
def test_age_band_by_completed_years(years: int, band: str) -> None:
    assert _band(date(SUNDAY.year - years, 3, 15), SUNDAY) == band
    if years:
        assert _band(date(SUNDAY.year - years, 3, 14), SUNDAY) == band
        day_before_birthday = _band(date(SUNDAY.year - years, 3, 16), SUNDAY)
        assert day_before_birthday == _band(date(SUNDAY.year - years + 1, 3, 15), SUNDAY)


def test_age_band_unknown_or_not_born() -> None:
    assert _band(None, SUNDAY) is None
    assert _band(date(2026, 3, 16), SUNDAY) is None


def test_born_on_leap_day() -> None:
    assert _band(date(2008, 2, 29), date(2026, 2, 28)) == "16-17"
    assert _band(date(2008, 2, 29), date(2026, 3, 1)) == "18-22"


@pytest.mark.parametrize(
    ("day", "start", "label"),
    [
        (date(2025, 8, 31), "09-01", "2024/25"),
        (date(2025, 9, 1), "09-01", "2025/26"),
        (date(2026, 1, 1), "09-01", "2025/26"),
        (date(2099, 12, 1), "09-01", "2099/00"),
        (date(2026, 1, 1), "01-01", "2026"),
        (date(2026, 12, 31), "01-01", "2026"),
    ],
)
def test_season_label(day: date, start: str, label: str) -> None:
    assert season_label(day, start) == label


def _ladder(
    *athletes: tuple[str, str | None, date | None, str | None, str | None, str | None],
) -> pl.DataFrame:
    schema = {
        "athlete_id": pl.String,
        "sex": pl.String,
        "birth_date": pl.Date,
        **dict.fromkeys(KEYS, pl.String),
    }
    frame = pl.DataFrame(athletes, schema=schema, orient="row")
    return ladder(frame.select("athlete_id", "sex", "birth_date"), frame.select("athlete_id", *KEYS), SUNDAY)


BORN = date(2005, 1, 1)


def test_rungs_of_one_athlete() -> None:
    rungs = _ladder(("a", "female", BORN, "rowing", "bow", "college")).sort("rung")
    assert rungs["label"].to_list() == [
        "sex=female; age=18-22; sport=rowing; position=bow; level=college",
        "sex=female; age=18-22; sport=rowing; level=college",
        "sex=female; age=18-22; sport=rowing",
        "sex=female; age=18-22",
    ]
    assert rungs["parent_label"].to_list() == [*rungs["label"].to_list()[1:], None]
    assert rungs["position"].to_list() == ["bow", None, None, None]
    assert rungs["competition_level"].to_list() == ["college", "college", None, None]


@pytest.mark.parametrize(
    ("sport", "position", "level", "rungs"),
    [
        ("rowing", None, "college", [2, 3, 4]),
        ("rowing", "bow", None, [3, 4]),
        (None, "bow", "college", [4]),
        ("rowing", "  ", "college", [2, 3, 4]),
    ],
)
def test_an_empty_key_forms_no_group(
    sport: str | None, position: str | None, level: str | None, rungs: list[int]
) -> None:
    assert _ladder(("a", "male", BORN, sport, position, level))["rung"].sort().to_list() == rungs


def test_without_sex_or_birth_date_no_population() -> None:
    unknown = _ladder(
        ("a", None, BORN, "rowing", "bow", "college"), ("b", "male", None, "rowing", "bow", "x")
    )
    assert unknown.height == 0


def test_athlete_without_a_period_is_on_the_last_rung() -> None:
    people = pl.DataFrame({"athlete_id": ["a"], "sex": ["male"], "birth_date": [BORN]})
    nobody = pl.DataFrame(schema={"athlete_id": pl.String, **dict.fromkeys(KEYS, pl.String)})
    assert ladder(people, nobody, SUNDAY)["label"].to_list() == ["sex=male; age=18-22"]


def _table(*weeks: list[tuple[str, str | None, str | None, str | None]]) -> pl.DataFrame:
    """Populations of weeks of (athlete, sport, position, level), all women of one age band."""
    members = []
    for number, athletes in enumerate(weeks):
        rungs = _ladder(*((who, "female", BORN, *keys) for who, *keys in athletes))
        counted = rungs.group_by(pl.exclude("athlete_id")).agg(n_members=pl.len())
        members.append(counted.with_columns(week=pl.lit(number), season=pl.lit("2025/26")))
    table = population_table(pl.concat(members))
    table_model("populations").validate(table, lazy=True)
    return table


A, B, C = ("a", "rowing", "bow", "college"), ("b", "rowing", "stroke", "college"), ("c", "judo", None, None)


def test_equal_consecutive_rungs_are_written_once() -> None:
    alone = _table([A])
    assert alone["label"].to_list() == ["sex=female; age=18-22"]
    with_judo = _table([A, C])
    assert with_judo["rung"].to_list() == [3, 3, 4]
    with_stroke = _table([A, B, C])
    assert with_stroke["rung"].to_list() == [1, 1, 3, 3, 4]


def test_parent_is_the_next_wider_population_that_is_written() -> None:
    table = _table([A, B, C])
    label_of = dict(table.select("population_id", "label").iter_rows())
    parents = {
        label: label_of.get(parent) for label, parent in table.select("label", "parent_id").iter_rows()
    }
    rowing, bow = "sex=female; age=18-22; sport=rowing", "position=bow; level=college"
    assert parents[f"{rowing}; {bow}"] == rowing  # the rung between, all college, has the same athletes
    assert parents[rowing] == "sex=female; age=18-22"
    assert parents["sex=female; age=18-22"] is None


def test_a_population_stays_where_once_it_differed() -> None:
    table = _table([A], [A, B])
    assert table["rung"].to_list() == [1, 1, 4]
    assert _table([A, B], [A])["population_id"].to_list() == table["population_id"].to_list()


def test_id_is_md5_of_season_and_label() -> None:
    """First 16 hex digits of the MD5 of 2025/26|sex=female; age=18-22, by md5sum of GNU coreutils."""
    assert _table([A])["population_id"].item() == "23b24acaf424197e"


athlete = st.tuples(
    st.sampled_from(["rowing", "judo", None]),
    st.sampled_from(["x", "y", None]),
    st.sampled_from(["u", "v", None]),
)


@settings(deadline=None, max_examples=40)
@given(st.lists(st.lists(athlete, min_size=1, max_size=6), min_size=1, max_size=4))
def test_the_ladder_is_sound(weeks: list[list[tuple[str | None, str | None, str | None]]]) -> None:
    """Every parent is written, one or more rungs wider; only the last rung has none; weeks only add rows."""
    named = [[(str(i), *keys) for i, keys in enumerate(week)] for week in weeks]
    table = _table(*named)
    rung_of = dict(table.select("population_id", "rung").iter_rows())
    for rung, parent in table.select("rung", "parent_id").iter_rows():
        assert (rung == 4) if parent is None else (rung_of[parent] > rung)
    earlier = set(_table(*named[:-1])["population_id"]) if named[:-1] else set()
    assert earlier <= set(rung_of)


def test_populations_of_the_facilitys_own() -> None:
    """By squad among several, by ages (both inclusive), and over the bounds of the ladder's age bands."""
    people = pl.DataFrame(
        {
            "athlete_id": ["a", "b", "c", "d"],
            "sex": ["female", "female", "female", "male"],
            "birth_date": [date(2010, 3, 15), date(2008, 3, 16), date(2008, 3, 15), date(2009, 1, 1)],
        }
    )
    states = pl.DataFrame(
        {
            "athlete_id": ["a", "b", "c", "d"],
            "sport": ["rowing", "rowing", "judo", "rowing"],
            "position": pl.Series([None] * 4, dtype=pl.String),
            "competition_level": pl.Series([None] * 4, dtype=pl.String),
            "squad": ["U18|first", "first", None, "first"],
        }
    )
    own = [
        OwnPopulation("young rowers", "female", ages=(16, 17), sport="rowing"),
        OwnPopulation("first", "female", squad="first"),
        OwnPopulation("up to 18", "female", ages=(0, 18)),
    ]
    rungs = ladder(people, states, date(2026, 3, 15), own).filter(pl.col("rung") == 0)
    found = rungs.group_by("label").agg(pl.col("athlete_id").sort()).sort("label").rows()
    assert found == [
        ("population=first; sex=female; age=any; squad=first", ["a", "b"]),
        ("population=up to 18; sex=female; age=0-18", ["a", "b", "c"]),
        ("population=young rowers; sex=female; age=16-17; sport=rowing", ["a", "b"]),
    ]
    assert rungs["parent_label"].null_count() == rungs.height

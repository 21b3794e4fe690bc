"""Where athletes stand, with names: who is told what, and for whose eyes."""

from __future__ import annotations

import stat
from datetime import date
from pathlib import Path

import polars as pl
import pytest
from python_calamine import CalamineWorkbook

from pipeline.publish.standing import publish_standing, standing
from schemas.catalogue import CATALOGUE
from tests.publish.conftest import MONDAY, made

Frames = dict[str, pl.DataFrame]
ON = date(2026, 3, 9)


def against(athlete: str, metric: str, series: str, **said: object) -> dict[str, object]:
    row: dict[str, object] = {"week": MONDAY, "norms_version": "v", "athlete_id": athlete, "metric": metric}
    row |= {"series_id": series, "population_id": "p_all", "value": 34.26, "n_sessions": 1, "n_others": 30}
    row |= {"last_date": date(2026, 3, 4), "unit": CATALOGUE[metric].unit, "value_error": 1.234}
    return row | {"percentile": 62.4, "percentile_low": 44.6, "percentile_high": 75.2} | said


@pytest.fixture
def rows(frames: Frames, people: pl.DataFrame) -> pl.DataFrame:
    """a1 is 23 and in two squads, a2 15, of a3 no birth date is known."""
    compared = [
        against("a1", "jump_height", "s_height"),
        against("a1", "sprint_time", "s_10", value_error=None, percentile_low=None, percentile_high=None),
        against("a1", "body_mass", "s_mass", percentile=None),
        against("a2", "jump_height", "s_height"),
        against("a3", "jump_height", "s_height"),
    ]
    squads = pl.col("athlete_id").replace_strict({"a1": "seniors|first", "a2": "juniors", "a3": None})
    more = {
        "against_group": made("against_group", compared),
        "athletes": frames["athletes"].with_columns(squad=squads),
    }
    return standing(frames | more, people, "metric", CATALOGUE, {}, ON)


def test_an_adult_has_value_error_percentile_and_interval_in_each_squad(rows: pl.DataFrame) -> None:
    own = rows.filter(pl.col("athlete_id") == "a1")
    assert own["squad"].to_list() == ["first", "first", "seniors", "seniors"]
    first = own.row(0, named=True)
    assert (first["name"], first["test"]) == ("Ana Dahl", "jump height by flight time")
    assert (first["value"], first["value_error"], first["unit"]) == (34.26, 1.234, "cm")
    assert (first["percentile"], first["percentile_low"], first["percentile_high"]) == (62.4, 44.6, 75.2)
    assert (first["group"], first["n_others"], first["note"]) == ("female, 12 to 13, everyone", 30, None)
    assert own["note"][1] == "error not known yet"


def test_minors_and_people_of_unknown_age_have_no_place_among_others(rows: pl.DataFrame) -> None:
    others = rows.filter(pl.col("athlete_id") != "a1")
    assert set(others["athlete_id"]) == {"a2", "a3"}
    places = others.select("percentile", "percentile_low", "percentile_high")
    assert places.null_count().row(0) == (2, 2, 2)
    assert others["note"].unique().to_list() == ["under 18: no place"]
    assert others["value"].null_count() == 0


def test_nobody_is_set_beside_others_by_what_has_no_direction_or_by_the_body(rows: pl.DataFrame) -> None:
    assert "body mass" not in rows["test"].to_list()
    bodies = {metric.label for metric in CATALOGUE.values() if metric.restricted_minors}
    assert not bodies & set(rows["test"])


def test_a_sheet_a_squad_for_the_owner_alone(rows: pl.DataFrame, tmp_path: Path) -> None:
    files = publish_standing(tmp_path, rows, "Example & Hall", "metric")
    assert {stat.S_IMODE(path.stat().st_mode) for path in files} == {0o600}
    book = CalamineWorkbook.from_path(tmp_path / "standing.xlsx")
    assert book.sheet_names == ["first", "juniors", "no squad", "seniors"]
    jump, sprint = book.get_sheet_by_name("first").to_python()[3:5]
    assert jump[0] == sprint[0] == "Ana Dahl"  # on each row, wherever a page begins
    assert jump[2:7] == [34.3, 1.2, "cm", 62.0, "45–75"]
    assert pl.read_csv(tmp_path / "standing.csv")["value"].to_list()[0] == 34.3


def test_what_all_rows_of_a_test_have_in_common_is_said_once(rows: pl.DataFrame, tmp_path: Path) -> None:
    of_sprints = rows.filter((pl.col("squad") == "first") & (pl.col("test") == "sprint time"))
    both = [of_sprints.with_columns(how=pl.lit(f"to {m} m, standing start")) for m in (5, 10)]
    publish_standing(tmp_path, pl.concat(both), "Example & Hall", "metric")
    sheet = CalamineWorkbook.from_path(tmp_path / "standing.xlsx").get_sheet_by_name("first").to_python()
    assert [row[1] for row in sheet[3:5]] == ["sprint time: to 5 m", "sprint time: to 10 m"]
    assert sheet[6][0] == "sprint time: standing start"


def test_without_comparisons_the_file_says_so(rows: pl.DataFrame, tmp_path: Path) -> None:
    publish_standing(tmp_path, rows.clear(), "Example & Hall", "metric")
    sheet = CalamineWorkbook.from_path(tmp_path / "standing.xlsx").get_sheet_by_name("Read me").to_python()
    assert str(sheet[0][0]).startswith("Nobody can be compared yet")

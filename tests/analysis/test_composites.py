"""Composite scores, beside their parts; and what changed in the norms."""

from __future__ import annotations

from datetime import date, timedelta

import polars as pl
import pytest

from pipeline.analysis.composites import composites
from pipeline.analysis.norm_changes import norm_changes
from schemas.catalogue import CATALOGUE
from schemas.frames import empty
from schemas.models import table_model
from schemas.tables import TABLES
from tests.analysis.test_norms import EIGHT, MONDAY, SUNDAY, norms_of, on_day, roster

Scores = list[tuple[str, str, str, float, float | None]]
# Athlete, metric, series, z, z_error: two series of speed, one of power, one of the neck.
ALL: Scores = [
    ("a", "sprint_time", "s1", 1.0, 0.3),
    ("a", "sprint_time", "s2", 2.0, 0.4),
    ("a", "jump_height", "j", -0.5, 0.2),
    ("a", "neck_force", "n", 0.5, 0.5),
    ("a", "body_mass", "m", 3.0, 0.1),
]


OWN = CATALOGUE["jump_height"].model_copy(update={"metric": "step_test", "domain": "endurance"})


def made(
    scores: Scores, born: date = date(2000, 1, 1), available: str = "yes"
) -> tuple[pl.DataFrame, pl.DataFrame]:
    rows = pl.DataFrame(
        [
            {"week": MONDAY, "norms_version": "v", "athlete_id": who, "metric": metric, "series_id": series,
             "population_id": "p", "z": z, "z_error": error}
            for who, metric, series, z, error in scores
        ],
        schema_overrides={"z_error": pl.Float64},
    )  # fmt: skip
    compared = pl.concat([empty(TABLES["against_group"]), rows], how="diagonal")
    who = rows["athlete_id"].unique().sort()
    people = pl.DataFrame({"athlete_id": who}).with_columns(birth_date=pl.lit(born))
    states = pl.DataFrame({"athlete_id": who}).with_columns(available=pl.lit(available))
    found = composites(compared, people, states, {**CATALOGUE, "step_test": OWN}, SUNDAY)
    for name, frame in found.items():
        table_model(name).validate(frame, lazy=True)
    return found["composites"], found["composite_parts"]


def test_a_composite_is_the_mean_of_the_means_of_domains() -> None:
    """(1.5 - 0.5 + 0.5) / 3 = 0.5: T = 55; its error from those of the parts, by hand."""
    whole, parts = made(ALL)
    row = whole.row(0, named=True)
    speed = (0.3**2 + 0.4**2) ** 0.5 / 2
    error = 10 * (speed**2 + 0.2**2 + 0.5**2) ** 0.5 / 3
    assert (row["value"], row["value_error"]) == pytest.approx((55.0, error))
    assert (row["n_domains"], row["coverage"], row["withheld"]) == (3, 100.0, None)
    told = parts.select("domain", "z", "n_series").rows()
    assert told == [("neck", 0.5, 1), ("power", -0.5, 1), ("speed", 1.5, 2)]


def test_a_test_of_the_facilitys_own_counts_for_the_quality_it_was_given() -> None:
    """(1.5 - 0.5 + 0.5 + 2.5) / 4 = 1: T = 60."""
    whole, parts = made([*ALL, ("a", "step_test", "own", 2.5, 0.2)])
    assert parts.filter(domain="endurance").select("z", "n_series").rows() == [(2.5, 1)]
    assert (whole["value"][0], whole["n_domains"][0]) == (pytest.approx(60.0), 4)


def test_another_test_of_a_quality_does_not_vote_twice() -> None:
    more: Scores = [*ALL, ("a", "sprint_time", "s3", 1.5, 0.3)]
    assert made(more)[0]["value"].to_list() == pytest.approx(made(ALL)[0]["value"].to_list())


def test_an_error_that_is_not_known_leaves_the_composite_without_one() -> None:
    whole, parts = made([*ALL, ("a", "interval_speed", "i", 1.5, None)])
    assert whole["value"][0] is not None
    assert whole["value_error"][0] is None
    assert parts.filter(domain="speed")["z_error"][0] is None


@pytest.mark.parametrize(
    ("born", "available", "said"),
    [
        (date(2008, 3, 16), "yes", "Not shown under 18: at one age, bodies differ in maturity."),
        (date(2000, 1, 1), "limited", "Not shown now: see the coach."),
        (date(2000, 1, 1), "no", "Not shown now: see the coach."),
    ],
)
def test_hidden_for_youths_and_while_not_fully_available_with_all_parts(
    born: date, available: str, said: str
) -> None:
    whole, parts = made(ALL, born, available)
    assert whole.select("value", "value_error", "withheld").rows() == [(None, None, said)]
    assert parts.is_empty()


def test_hidden_below_sixty_per_cent_of_the_domains_of_the_group() -> None:
    others: Scores = [("b", "one_rep_max", "o", 0.1, 0.1), ("b", "change_of_direction_time", "c", 0.0, 0.1)]
    whole, _ = made([*ALL, *others])
    told = {row["athlete_id"]: row["withheld"] for row in whole.iter_rows(named=True)}
    assert told["a"] is None
    assert told["b"] == "Too few qualities tested: 2 of 5; 60 % and at least two are needed."


def test_changes_of_norms_from_week_to_week() -> None:
    before = MONDAY - timedelta(days=7)
    rows = [*on_day(EIGHT, before, 50.0), ("b", SUNDAY, 59.0, None)]
    found = norms_of(rows, roster([*EIGHT, "b"]))
    changes = norm_changes(found["norms"], found["populations"], SUNDAY)
    table_model("norm_changes").validate(changes, lazy=True)
    row = changes.row(0, named=True)
    assert (row["week"], row["n_athletes_change"], row["mean_before"]) == (MONDAY, 1, 50.0)
    assert (row["mean_change"], row["p50_change"]) == (pytest.approx(1.0), 0.0)
    assert row["norms_version"] != row["previous_version"]
    assert norm_changes(found["norms"], found["populations"], before + timedelta(days=6)).is_empty()

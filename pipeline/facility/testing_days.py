"""Who is to be tested when: `config/testing_days.csv`, and the people that its squads stand for."""

from __future__ import annotations

from collections.abc import Collection
from pathlib import Path

import polars as pl

from pipeline.facility.people import unknown_ids
from pipeline.facility.periods import state_on
from pipeline.facility.problems import Problem, nearest_known
from pipeline.facility.sheets import Column, read_sheet
from schemas.catalogue import CATALOGUE
from schemas.families import FAMILIES

TESTING_DAYS_FILE = "config/testing_days.csv"
_YES_NO = {"yes": "yes", "y": "yes", "no": "no", "n": "no"}
_COLUMNS = (
    Column("date", "date", filled=True),
    Column("squad"),
    Column("athlete_id"),
    Column("test", also=("metric",)),
    Column("trials", "integer"),
    Column("attended", words=_YES_NO),
)
_NAMING = ("test", "quantity", "pull")


def read_testing_days(
    folder: Path, ids: Collection[str] | None, tests: Collection[str]
) -> tuple[pl.DataFrame, list[Problem]]:
    """The planned tests, and all that is wrong with them. An absent file plans nothing.

    Columns: line, date, squad, athlete_id, test (empty: anything), trials (wanted; empty: 1), attended (yes
    or no; empty: nobody wrote it down). `tests`: the facility's own.
    """
    days, problems = read_sheet(folder, TESTING_DAYS_FILE, _COLUMNS)
    problems += unknown_ids(days, TESTING_DAYS_FILE, ids)
    known = known_tests(tests)
    for line, squad, who, test, trials in days.select(
        "line", "squad", "athlete_id", "test", "trials"
    ).iter_rows():
        if (squad is None) == (who is None):
            said = "say who is to be tested: a squad, or an athlete_id"
            problems.append(Problem(TESTING_DAYS_FILE, line, "squad", said))
        if trials is not None and trials < 1:
            problems.append(Problem(TESTING_DAYS_FILE, line, "trials", "must be 1 or more, or empty"))
        if test is not None and test not in known:
            said = f"{test!r} is no test, metric or family known here; {nearest_known(test, known)}"
            problems.append(Problem(TESTING_DAYS_FILE, line, "test", said, "look"))
    return days, problems


def known_tests(tests: Collection[str]) -> set[str]:
    """Every word that a plan can name: a family, a test of one, a metric, a test of the facility's own."""
    named = {
        word
        for family in FAMILIES.values()
        for field in family.columns
        if field.name in _NAMING
        for word in field.values
    }
    return {*FAMILIES, *named, *CATALOGUE, *tests}


def planned(days: pl.DataFrame, periods: pl.DataFrame, athletes: pl.DataFrame) -> pl.DataFrame:
    """local_date, athlete_id, test, trials, attended: a row an athlete and planned test.

    A squad stands for those who were in it that day and not paused. `periods`, `athletes`: see `Facility`.
    """
    columns = ["local_date", "athlete_id", "test", "trials", "attended"]
    dated = days.rename({"date": "local_date"}).with_columns(trials=pl.col("trials").fill_null(1))
    alone = dated.filter(pl.col("athlete_id").is_not_null())
    asked = dated.select(on="local_date").unique().join(athletes.select("athlete_id"), how="cross")
    states = state_on(periods, asked).filter(pl.col("status") != "paused")
    members = states.select(
        "athlete_id", local_date="on", squad=pl.col("squad").str.split("|")
    ).explode("squad")  # fmt: skip
    squads = dated.drop("athlete_id").join(members, on=["local_date", "squad"])
    both = pl.concat([alone.select(columns), squads.select(columns)])
    # Somebody named alone and in a squad is planned once a test; what was written of the one alone counts.
    return both.unique(["local_date", "athlete_id", "test"], keep="first", maintain_order=True).sort(
        columns[:3]
    )


def absent(days: pl.DataFrame, events: pl.DataFrame) -> pl.DataFrame:
    """athlete_id, local_date of those of whom it was written that they were not there: marked `no` in a plan,
    or away on a break of their own (each day of it up to a year)."""
    marked = days.filter((pl.col("attended") == "no") & pl.col("athlete_id").is_not_null())
    own = events.filter((pl.col("kind") == "break") & pl.col("athlete_id").is_not_null())
    last = pl.coalesce("to_date", "from_date")
    last = pl.min_horizontal(last, pl.col("from_date").dt.offset_by("1y"))
    away = own.select(
        "athlete_id", local_date=pl.date_ranges("from_date", last, closed="both")
    ).explode("local_date")  # fmt: skip
    return (
        pl.concat([marked.select("athlete_id", local_date="date"), away]).drop_nulls().unique().sort(pl.all())
    )

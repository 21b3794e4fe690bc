"""The same inputs give the same bytes, and a past week gives its numbers again."""

from __future__ import annotations

from datetime import date
from pathlib import Path

import duckdb
import polars as pl
import pytest

from tests.end_to_end.conftest import Shared
from tests.end_to_end.runs import copy_of, done, tables_of

VALID_ON = ("--valid-on", "2026-02-01")
PAST = date(2025, 11, 23)  # a Sunday: the last day of its week
TEXT = (".parquet", ".csv", ".json")


def differing(before: dict[str, bytes], after: dict[str, bytes]) -> list[str]:
    return [name for name in sorted(before.keys() | after.keys()) if before.get(name) != after.get(name)]


@pytest.fixture(scope="module")
def refreshed(shared: Shared, demo: Path) -> Path:
    """The demo, refreshed with people as of a fixed day."""

    def make(folder: Path) -> None:
        done("refresh", copy_of(demo, folder / "demo"), *VALID_ON)

    return shared("refreshed", make) / "demo"


@pytest.fixture(scope="module")
def past(shared: Shared, refreshed: Path) -> Path:
    """The same as of a day in November."""

    def make(folder: Path) -> None:
        done("refresh", copy_of(refreshed, folder / "demo"), *VALID_ON, "--as-of", PAST)

    return shared("past", make) / "demo"


def test_a_second_refresh_gives_the_same_bytes(refreshed: Path, tmp_path: Path):
    again = copy_of(refreshed, tmp_path / "demo")
    done("refresh", again, *VALID_ON)
    before = tables_of(refreshed, (*TEXT, ".xlsx"))
    assert len(before) > 30 and "coach/norms.xlsx" in before
    assert differing(before, tables_of(again, (*TEXT, ".xlsx"))) == []


def test_a_warehouse_made_anew_gives_the_same_bytes(refreshed: Path, tmp_path: Path):
    again = copy_of(refreshed, tmp_path / "demo")
    (again / "warehouse" / "yardmark.duckdb").unlink()
    done("rebuild", again, *VALID_ON)
    assert differing(tables_of(refreshed, TEXT), tables_of(again, TEXT)) == []


def published(folder: Path, query: str) -> pl.DataFrame:
    with duckdb.connect(str(folder / "published" / "yardmark.duckdb"), read_only=True) as connection:
        return connection.sql(query).pl()


def test_norms_of_a_past_week_do_not_look_into_the_future(refreshed: Path, past: Path):
    """Run as of that day, or seen from two months later: every row is the same to the last digit.

    What the later run has beside them are groups that had the same athletes as the next wider group until
    then and have parted since (populations are judged over a season): their rows say what the wider group's
    say.
    """
    now, then = (published(folder, "SELECT * FROM norms") for folder in (refreshed, past))
    week = then["week"].max()
    assert week == date(2025, 11, 17) and now["week"].max() > week
    now = now.filter(pl.col("week") <= week)
    assert then.height > 500
    assert then.join(now, on=then.columns, how="anti", nulls_equal=True).height == 0
    later = now.join(then, on=["week", "population_id", "series_id"], how="anti")
    wider = published(refreshed, "SELECT population_id, parent_id FROM populations")
    told = [name for name in then.columns if name not in ("population_id", "shrunk_mean", "shrunk_sd")]
    of_wider = later.join(wider, on="population_id").select(pl.col("parent_id").alias("population_id"), *told)
    assert later.height == now.height - then.height
    assert of_wider.join(then, on=["population_id", *told], how="anti", nulls_equal=True).height == 0


def test_statistics_as_of_a_past_day_know_nothing_later(past: Path):
    for table, column in (
        ("sessions", "local_date"),
        ("measurements", "local_date"),
        ("results", "local_date"),
        ("norms", "week"),
        ("norm_percentiles", "week"),
    ):
        assert published(past, f"SELECT max({column}) AS last FROM {table}")["last"][0] <= PAST
    masses = published(past, "SELECT max(session_date - body_mass_age_days) AS last FROM sessions")
    assert masses["last"][0] <= PAST

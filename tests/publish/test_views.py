"""The views of the published file, row by row on the made facility."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import date
from pathlib import Path

import duckdb
import polars as pl
import pytest

from pipeline.publish.database import publish_database
from pipeline.publish.frames import in_order, published_tables
from pipeline.publish.views import View, views
from schemas.catalogue import CATALOGUE

Frames = dict[str, pl.DataFrame]
SHA = "0123456789abcdef" * 4


@pytest.fixture(scope="module")
def connection(
    frames: Frames, tmp_path_factory: pytest.TempPathFactory
) -> Iterator[duckdb.DuckDBPyConnection]:
    tables = [table for table in published_tables() if not table.restricted]
    made = views(date(2026, 3, 17), CATALOGUE)
    folder = tmp_path_factory.mktemp("published")
    path = publish_database(folder, tables, in_order(frames), made)[0]
    with duckdb.connect(path, read_only=True) as opened:
        yield opened


def test_current_norms_are_those_of_the_latest_week(connection: duckdb.DuckDBPyConnection) -> None:
    rows = connection.sql("FROM current_norms ORDER BY population_id, series_id").pl()
    assert rows["week"].unique().to_list() == [date(2026, 3, 2)]
    assert rows.height == 6
    first = rows.row(0, named=True)
    assert (first["population_id"], first["metric_label"], first["rung"], first["decimals"]) == (
        "p_all", "jump height by flight time", 4, 1,
    )  # fmt: skip
    assert first["series_label"].startswith("test=countermovement_jump; leg=both")


def test_files_first_has_a_content_once_at_its_first_drop(connection: duckdb.DuckDBPyConnection) -> None:
    assert connection.sql("SELECT drop_id, file_id FROM files_first").fetchall() == [("d1", SHA)]
    assert connection.sql("SELECT count(*) FROM files").fetchall() == [(2,)]


def test_lineage_leads_from_a_measurement_to_file_and_line(connection: duckdb.DuckDBPyConnection) -> None:
    columns = "measurement_id, role, source_table, row_id, line, file_sha256, path"
    rows = connection.sql(f"SELECT {columns} FROM lineage ORDER BY measurement_id, role").fetchall()
    tail = (2, SHA, "a")
    assert rows == [
        ("m_a1", "value", "jump_trials", "row_a1", *tail),
        ("m_a2", "value", "jump_trials", "row_a2", *tail),
        ("m_a3", "value", "jump_trials", "row_a3", *tail),
        ("m_power", "jump", "jump_trials", "row_a1", *tail),
        ("m_power", "mass", "body_readings", "body1", *tail),
    ]


def test_stale_is_eight_weeks_for_adults_and_six_for_the_young_and_the_unknown(
    connection: duckdb.DuckDBPyConnection,
) -> None:
    # On 17 March, 20 January is 56 days ago: eight weeks to the day, which an adult's test may be.
    rows = connection.sql("SELECT DISTINCT athlete_id, days_since, weeks_allowed FROM stale_tests ORDER BY 1")
    assert rows.fetchall() == [("a2", 56, 6), ("a3", 56, 6)]


@pytest.mark.parametrize(
    ("valid_on", "stale"),
    [
        (date(2026, 3, 3), set()),  # 42 days after 20 January
        (date(2026, 3, 4), {"a2", "a3"}),
        (date(2026, 4, 29), {"a2", "a3"}),  # 56 days after the adult's 4 March
        (date(2026, 4, 30), {"a1", "a2", "a3"}),
    ],
)
def test_the_day_it_counts_from_is_given(
    valid_on: date, stale: set[str], connection: duckdb.DuckDBPyConnection
) -> None:
    view = _named("stale_tests", valid_on)
    rows = connection.execute(view.sql).fetchall()
    assert {row[0] for row in rows} == stale
    # Each of four series of each athlete.
    assert len(rows) == 4 * len(stale)


def _named(name: str, valid_on: date) -> View:
    return next(view for view in views(valid_on, CATALOGUE) if view.name == name)


def test_wide_results_have_one_value_a_cell_and_lose_none(connection: duckdb.DuckDBPyConnection) -> None:
    jumps = connection.sql("FROM results_wide_contact_mat ORDER BY session_id").pl()
    columns = ["session_id", "test", "leg", "jump_height", "flight_time", "contact_time"]
    assert jumps.select(columns).rows() == [
        (f"x_{athlete}", "countermovement_jump", "both", 34.25, 0.528, None) for athlete in ("a1", "a2", "a3")
    ]
    sprints = connection.sql("FROM results_wide_timing_gates").pl()
    assert sprints["sprint_time"].to_list() == [1.847] * 3
    assert sprints["test_condition"].unique().to_list() == [
        "distance=10 m; start=standing; timing=electronic"
    ]
    bodies = connection.sql("FROM results_wide_body_measures").pl()
    assert bodies["body_mass"].to_list() == [70.0] * 3
    assert bodies["test_condition"].unique().to_list() == [""]


def test_two_conditions_of_a_session_are_two_rows(frames: Frames, tmp_path: Path) -> None:
    series, results = frames["series"], frames["results"]
    twenty = pl.col("series_id") == "s_10"
    more = {
        "series": pl.concat([series, series.filter(twenty).with_columns(
            series_id=pl.lit("s_20"), label=pl.lit("distance=20 m; start=standing; timing=electronic"),
            distance=pl.lit("20 m"))]),
        "results": pl.concat([results, results.filter(twenty).with_columns(
            series_id=pl.lit("s_20"), value=pl.lit(3.1))]),
    }  # fmt: skip
    tables = [table for table in published_tables() if not table.restricted]
    made = views(date(2026, 3, 17), CATALOGUE)
    path = publish_database(tmp_path, tables, in_order(frames | more), made)[0]
    with duckdb.connect(path, read_only=True) as opened:
        rows = opened.sql(
            "SELECT distance, sprint_time FROM results_wide_timing_gates WHERE session_id = 'x_a1'"
        )
        assert sorted(rows.fetchall()) == [("10 m", 1.847), ("20 m", 3.1)]

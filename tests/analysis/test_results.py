"""Results: a session's summary, best, errors and flags."""

import datetime as dt
from typing import Any

import polars as pl
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from polars.testing import assert_frame_equal

from pipeline.analysis.results import summarise
from pipeline.metrics.measurements import measure_all
from schemas.catalogue import CATALOGUE, Metric, TypicalError
from schemas.frames import empty
from schemas.models import table_model
from schemas.tables import TABLES
from tests.metrics.trial_rows import DAY, jump, mass, run, sessions_of, trial_rows

LATER = DAY + dt.timedelta(days=7)


def results(
    trials: dict[str, pl.DataFrame], catalogue: dict[str, Metric] = CATALOGUE, available: str = "yes"
) -> pl.DataFrame:
    sessions = sessions_of(*trials.values(), kg=75.0).with_columns(available=pl.lit(available))
    return summarise(measure_all(trials, sessions, catalogue, {})["measurements"], sessions, catalogue)


def heights(*rows: dict[str, object], **more: Any) -> list[dict[str, Any]]:
    frame = results({"jump_trials": trial_rows("jump_trials", *rows)}, **more)
    return frame.filter(pl.col("metric") == "jump_height").sort("local_date").to_dicts()


THREE = [
    jump(trial=1, flight_time_s=0.50),
    jump(trial=2, flight_time_s=0.52),
    jump(trial=3, flight_time_s=0.57),
]


def height_cm(time_s: float) -> float:
    """g t² / 8 with g = 9.80665 m/s² (ISO 80000-3)."""
    return 100 * 9.80665 * time_s**2 / 8


def test_the_mean_is_the_value_and_the_highest_the_best() -> None:
    (row,) = heights(*THREE)
    assert row["value"] == pytest.approx(sum(map(height_cm, (0.50, 0.52, 0.57))) / 3)
    assert row["best"] == pytest.approx(height_cm(0.57))
    assert (row["n_trials"], row["unit"]) == (3, "cm")


@pytest.mark.parametrize(("summary", "time_s"), [("median", 0.52), ("best", 0.57)])
def test_the_metric_says_how_trials_are_summed_up(summary: str, time_s: float) -> None:
    own = CATALOGUE["jump_height"].model_copy(update={"summary": summary})
    (row,) = heights(*THREE, catalogue={**CATALOGUE, "jump_height": own})
    assert row["value"] == pytest.approx(height_cm(time_s))


@pytest.mark.mode(28)
def test_a_jump_perhaps_landed_with_bent_knees_is_nobodys_best() -> None:
    *others, highest = THREE
    (row,) = heights(*others, highest | {"flags": "landing_suspect"})
    assert row["best"] == pytest.approx(height_cm(0.52)) and row["n_trials"] == 3
    assert row["value"] == pytest.approx(sum(map(height_cm, (0.50, 0.52, 0.57))) / 3)


def test_the_best_time_is_the_lowest_and_mass_has_no_best() -> None:
    sprints = trial_rows("sprint_splits", *run((10, 1.9), name="a"), *run((10, 1.8), name="b"))
    frame = results({"sprint_splits": sprints, "body_readings": trial_rows("body_readings", mass(75.0))})
    best = dict(
        frame.filter(pl.col("metric").is_in(["sprint_time", "body_mass"]))
        .select("metric", "best")
        .iter_rows()
    )
    assert best == {"sprint_time": 1.8, "body_mass": None}


@pytest.mark.mode(25, 26)
def test_values_that_are_not_used_do_not_enter() -> None:
    (row,) = heights(*THREE[:2], jump(trial=3, flight_time_s=0.9, mark="failed"))
    assert (row["n_trials"], row["n_tried"]) == (2, 3)
    assert row["best"] == pytest.approx(height_cm(0.52))
    assert row["flags"] == "familiarisation;few_trials"


def test_no_used_value_no_result() -> None:
    assert heights(jump(mark="failed")) == []


def test_errors_are_the_published_ones_in_the_metrics_unit() -> None:
    # Per cent on the log scale: 3.5 % within a session (Markovic 2004, middle of 2.4-4.6 %), 5.8 % between
    # days (PMC7039490), as the catalogue cites them.
    (row,) = heights(*THREE)
    assert row["trial_error"] == pytest.approx(row["value"] * 0.035)
    assert row["session_error"] == pytest.approx(row["value"] * 0.058)
    assert row["error_origin"] == "published"


def test_a_trial_error_never_stands_in_for_a_session_error() -> None:
    one = TypicalError(trial=1.0, source="a study", verified="made up")
    own = {
        "sprint_time": CATALOGUE["sprint_time"].model_copy(update={"typical_error": one}),
        "interval_speed": CATALOGUE["interval_speed"].model_copy(update={"typical_error": None}),
    }
    frame = results({"sprint_splits": trial_rows("sprint_splits", *run((10, 1.9)))}, CATALOGUE | own)
    row = frame.row(by_predicate=pl.col("metric") == "sprint_time", named=True)
    assert (row["trial_error"], row["session_error"]) == (pytest.approx(0.019), None)
    speed = frame.row(by_predicate=pl.col("metric") == "interval_speed", named=True)
    assert (speed["trial_error"], speed["session_error"], speed["error_origin"]) == (None, None, None)


def test_on_the_raw_scale_the_error_is_as_published() -> None:
    own = CATALOGUE["jump_height"].model_copy(update={"scale": "raw"})
    (row,) = heights(*THREE, catalogue={**CATALOGUE, "jump_height": own})
    assert (row["trial_error"], row["session_error"]) == (3.5, 5.8)


def test_the_first_date_of_a_learned_series_is_familiarisation() -> None:
    first, later = heights(*THREE, *(dict(row, day=LATER) for row in THREE))
    assert (first["flags"], later["flags"]) == ("familiarisation", None)


def test_familiarisation_is_by_athlete_and_series() -> None:
    later = [dict(row, day=LATER) for row in THREE]
    flags = [row["flags"] for row in heights(*THREE, *(dict(row, hands="free") for row in later))]
    assert flags == ["familiarisation", "familiarisation"]
    flags = [row["flags"] for row in heights(*THREE, *(dict(row, athlete_id="A2") for row in later))]
    assert flags == ["familiarisation", "familiarisation"]


def test_mass_is_not_learned() -> None:
    frame = results({"body_readings": trial_rows("body_readings", mass(75.0))})
    assert frame["flags"].to_list() == [None]


def test_availability_of_the_date_is_said() -> None:
    frame = results({"body_readings": trial_rows("body_readings", mass(75.0))}, available="limited")
    assert frame["flags"].to_list() == ["not_fully_available"]


def test_flags_of_the_used_values_are_joined() -> None:
    rows = [dict(row, day=LATER) for row in THREE]
    rows[0]["flags"], rows[1]["flags"] = "time_ambiguous", "removed_at_source;time_ambiguous"
    assert heights(*THREE, *rows)[1]["flags"] == "removed_at_source;time_ambiguous"


def test_the_table_is_as_declared() -> None:
    frame = results(
        {
            "jump_trials": trial_rows("jump_trials", *THREE),
            "body_readings": trial_rows("body_readings", mass(75.0)),
        }
    )
    table_model("results").validate(frame, lazy=True)
    nothing = summarise(empty(TABLES["measurements"]), empty(TABLES["sessions"]), CATALOGUE)
    assert nothing.is_empty()
    table_model("results").validate(nothing, lazy=True)


@settings(max_examples=20, deadline=None)
@given(st.permutations(range(60)))
def test_row_order_does_not_matter_to_the_last_digit(order: list[int]) -> None:
    rows = [jump(trial=n, flight_time_s=0.3 + n * n / 7919, day=(DAY, LATER)[n % 2]) for n in range(60)]
    trials = trial_rows("jump_trials", *rows)
    sessions = sessions_of(trials)
    values = measure_all({"jump_trials": trials}, sessions, CATALOGUE, {})["measurements"]
    heights_only = values.filter(pl.col("metric") == "jump_height")
    expected = summarise(heights_only, sessions, CATALOGUE)
    assert_frame_equal(summarise(heights_only[order], sessions, CATALOGUE), expected, check_exact=True)

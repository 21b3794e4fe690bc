"""Repetitions of traces as rows of `bar_reps`, and their samples."""

from __future__ import annotations

import polars as pl
import pytest

from pipeline.metrics.bar_speed import flag, measure
from pipeline.metrics.found_reps import found_reps, samples_with_reps
from schemas.frames import empty, polars_schema
from schemas.models import table_model
from schemas.tables import TABLES
from tests.metrics.trial_rows import sessions_of, trial_rows
from tests.numerics.bar_traces import Bar, squats


def samples(bar: Bar, name: str, first_line: int = 2) -> pl.DataFrame:
    time, height = bar.trace(0.0003)
    return pl.DataFrame(
        {
            "sample_set_id": [name] * time.size,
            "time_s": time,
            "position_m": height,
            "row_id": [None] * time.size,
            "file_id": ["f"] * time.size,
            "line": range(first_line, first_line + time.size),
        },
        schema=polars_schema(TABLES["bar_samples"]),
    )


def sets(*names: str, **fields: object) -> pl.DataFrame:
    same = {"lift": "back_squat", "load_kg": 80.0, "side": "both", "intent": "max", **fields}
    return trial_rows(
        "bar_sets",
        *({**same, "sample_set_id": name, "set": number} for number, name in enumerate(names, 1)),
    )


def test_a_row_a_repetition_with_what_its_set_says() -> None:
    three, two = squats(100), squats(200, "sine", (0.7, 0.9))
    both = pl.concat([samples(three, "a"), samples(two, "b")])
    made = found_reps(sets("a", "b"), both).sort("set", "rep")
    table_model("_found_reps").validate(made, lazy=True)
    assert made.select("set", "rep").rows() == [(1, 1), (1, 2), (1, 3), (2, 1), (2, 2)]
    assert made["row_id"].n_unique() == 5
    assert set(made["lift"]) == {"back_squat"} and set(made["load_kg"]) == {80.0}
    ways = [way for bar in (three, two) for _, _, way in bar.truth]
    assert made["range_of_motion_m"].to_list() == pytest.approx(ways, rel=0.01)
    # Each begins where its first sample stands in the file.
    at = both.join(made, on="sample_set_id").filter(pl.col("line") == pl.col("line_right"))
    assert at["time_s"].to_list() == at["from_s"].to_list()


def test_ids_do_not_depend_on_other_traces() -> None:
    one = samples(squats(100), "a")
    alone = found_reps(sets("a"), one)
    beside = found_reps(sets("a", "b"), pl.concat([samples(squats(50), "b"), one]))
    assert set(alone["row_id"]) <= set(beside["row_id"])


def test_samples_are_told_their_repetition_and_those_between_none() -> None:
    trace = samples(squats(100), "a")
    made = found_reps(sets("a"), trace)
    told = samples_with_reps(trace, made).sort("time_s")
    assert told.columns == trace.columns
    assert told.height == trace.height
    for row in made.iter_rows(named=True):
        of = told.filter(pl.col("row_id") == row["row_id"])
        assert (of["time_s"].min(), of["time_s"].max()) == (row["from_s"], row["until_s"])
    between = told.filter(pl.col("row_id").is_null())
    assert {0.0, told["time_s"].max()} <= set(between["time_s"])
    assert set(told["row_id"].drop_nulls()) == set(made["row_id"])


@pytest.mark.mode(41)
def test_missing_samples_are_flagged_and_a_mark_is_kept() -> None:
    trace = samples(squats(200), "a")
    whole = found_reps(sets("a"), trace).sort("rep")
    inside = whole["until_s"][0] - 0.3
    holed = trace.filter(~pl.col("time_s").is_between(inside - 0.07, inside + 0.07))
    made = found_reps(sets("a", mark="warm_up"), holed).sort("rep")
    assert made["flags"].to_list() == ["gap", None, None]
    assert made["peak_velocity_m_s"].is_null().to_list() == [True, False, False]
    assert set(made["mark"]) == {"warm_up"}


def test_they_are_measured_like_repetitions_that_a_device_counts() -> None:
    made = found_reps(sets("a"), samples(squats(200, "sine", (0.6, 0.65, 0.7, 0.9)), "a"))
    reps = made.select(polars_schema(TABLES["bar_reps"]).keys())
    values = measure(flag(reps), sessions_of(reps))
    loss = values.filter(pl.col("metric") == "velocity_loss")["value"]
    assert loss.to_list() == pytest.approx([100 * (1 - (0.52 / 0.9) / (0.55 / 0.6))], abs=4)


def test_no_traces_give_no_repetitions() -> None:
    made = found_reps(empty(TABLES["bar_sets"]), empty(TABLES["bar_samples"]))
    assert made.is_empty()
    table_model("_found_reps").validate(made, lazy=True)
    assert samples_with_reps(empty(TABLES["bar_samples"]), made).is_empty()

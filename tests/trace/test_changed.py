"""What changed since a day: found again from what was known then, however often anything was run."""

from __future__ import annotations

import re
from datetime import date
from pathlib import Path

import polars as pl
import pytest

from pipeline.trace.changed import Changed, changed
from tests.end_to_end.runs import here
from tests.intake.facility_maker import Hall, file_id, fill, run, runs

FIRST = runs(
    run(), run(trial=2, split="1.90"), run("João Sá", split="2.00"), run("A. P.", "10:20:00", split="1.87"),
    run("Mia Lund", "11:00:00", split="1.7S"), run("João Sá", "12:00:00", split="2.02"),
)  # fmt: skip
SECOND = runs(run(), run(trial=2, split="1.94"), run(trial=3, split="1.85"))
SINCE = date(2025, 4, 1)


@pytest.fixture(scope="module")
def made(tmp_path_factory: pytest.TempPathFactory) -> Hall:
    """Two exports, a month between them; a name and a cell answered in between, corrections after."""
    hall = Hall(tmp_path_factory.mktemp("made"))
    hall.take(("gates-1/a.csv", FIRST))
    hall.take(("gates-1/b.csv", SECOND))
    hall.alias("A. P.", "a01")
    hall.answer(fill(hall.sheet("a.csv"), {0: "1.75"}))
    hall.correct(
        f"2025-04-12,me,a stumble,,{file_id(FIRST)},7,,,,,strike,,",
        f"2025-03-12,me,known before,,{file_id(FIRST)},4,,,,,supply,shoes,spikes",
    )
    index = hall.folder / "archive" / "index.csv"
    lines = index.read_text("utf-8").splitlines(keepends=True)
    days = ("2025-03-10", "2025-04-10")
    dated = [re.sub(r"\d{4}-\d\d-\d\dT", f"{day}T", line) for line, day in zip(lines[1:], days, strict=True)]
    index.write_text(lines[0] + "".join(dated), "utf-8")
    answers = hall.folder / "config" / "answers.csv"
    answers.write_text(re.sub(r"(?m)^\d{4}-\d\d-\d\dT", "2025-04-11T", answers.read_text("utf-8")), "utf-8")
    hall.file.unlink()
    hall.take_in()
    return hall


def since(hall: Hall, day: date) -> Changed:
    with hall.open() as warehouse:
        return changed(hall.facility, warehouse, day)


def test_rows_new_released_corrected_and_withdrawn_since_a_day(made: Hall) -> None:
    rows = since(made, SINCE).rows.select("kind", "athlete_id", "path", "line").rows()
    assert rows == [
        ("corrected", "a01", "gates-1/b.csv", 3),
        ("new", "a01", "gates-1/b.csv", 4),
        ("released", "a01", "gates-1/a.csv", 5),
        ("released", "a03", "gates-1/a.csv", 6),
        ("withdrawn", "a02", "gates-1/a.csv", 7),
    ]
    corrected = since(made, SINCE).rows.row(0, named=True)
    assert "split_time_s 1.9," in corrected["before"] and "split_time_s 1.94," in corrected["after"]


def test_the_results_that_moved_with_their_reasons(made: Hall) -> None:
    times = since(made, SINCE).results.filter(metric="sprint_time")
    told = {row["athlete_id"]: row for row in times.to_dicts()}
    assert told.keys() == {"a01", "a02", "a03"}
    assert told["a01"]["before"] == pytest.approx((1.83 + 1.90) / 2)
    assert told["a01"]["after"] == pytest.approx((1.83 + 1.94 + 1.85 + 1.87) / 4)
    assert told["a01"]["because"] == "corrected, new, released"
    # His other run was in spikes, as was known before: a series of its own.
    assert (told["a02"]["before"], told["a02"]["after"]) == (2.02, None)
    assert told["a02"]["because"] == "withdrawn"
    assert (told["a03"]["before"], told["a03"]["because"]) == (None, "released")


def test_before_the_first_file_all_is_new_and_after_the_last_answer_nothing_is(made: Hall) -> None:
    everything = since(made, date(2025, 1, 1))
    assert set(everything.rows["kind"]) == {"new"}
    assert everything.rows.height == made.table("sprint_splits").height
    after = since(made, date(2025, 5, 1))
    assert after.rows.is_empty() and after.results.is_empty()


def test_running_again_changes_nothing_of_it(made: Hall, tmp_path: Path) -> None:
    first = since(made, SINCE)
    again = Hall.copy_of(made, tmp_path)
    again.retry()
    again.file.unlink()
    again.take_in()
    second = since(again, SINCE)
    assert first.rows.equals(second.rows) and first.results.equals(second.results)


def test_the_command_tells_it(made: Hall) -> None:
    text = here("changed", made.folder, "--since", "2025-04-01")
    assert text.status == 0
    assert "1 corrected, 1 new, 2 released, 1 withdrawn" in text.out
    report = here("changed", made.folder, "--since", "2025-04-01", "--json").report
    assert len(report["rows"]) == 5 and {one["because"] for one in report["results"]} >= {"withdrawn"}
    assert here("changed", made.folder).status == 2
    assert "Nothing changed" in here("changed", made.folder, "--since", "2030-01-01").out


def test_moved_rows_are_told_as_such(made: Hall, tmp_path: Path) -> None:
    hall = Hall.copy_of(made, tmp_path)
    hall.correct(f"2025-04-12,me,it was Mia,,{file_id(FIRST)},4,,,,,move,,a03")
    hall.take_in()
    moved = since(hall, date(2025, 4, 12))
    [row] = moved.rows.filter(pl.col("kind") == "moved").to_dicts()
    assert row["before"].startswith("a02") and row["after"].startswith("a03")
    assert {"a02", "a03"} <= set(moved.results["athlete_id"])

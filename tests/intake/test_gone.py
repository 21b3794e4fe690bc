"""Trials that a later export leaves out: flagged and asked about, never deleted."""

from __future__ import annotations

from pathlib import Path

import pytest

from pipeline.intake.gone import gone_rows
from pipeline.intake.intake import knowledge_of
from tests.intake.facility_maker import Hall, fill, run, runs
from tests.intake.test_suspects import refresh, sheet

TIMES = [f"10:0{minute}:00" for minute in range(6)]


def export(*minutes: int, battery: int = 90) -> str:
    return runs(*(run(time=TIMES[at], split=f"1.8{at}", battery=battery) for at in minutes))


def gone(hall: Hall) -> list[float]:
    """The splits that a later export leaves out."""
    with hall.look() as warehouse:
        found = gone_rows(warehouse, knowledge_of(hall.facility).withdrawn)
    rows = hall.table("sprint_splits").join(found, on="row_id", how="semi")
    return sorted(rows["split_time_s"])


def flagged(hall: Hall) -> list[float]:
    """Those that are told."""
    refresh(hall)
    told = hall.table("value_flags").filter(code="gone_at_source", owner_table="sprint_splits")
    rows = hall.table("sprint_splits").join(told, left_on="row_id", right_on="owner_id", how="semi")
    return sorted(rows["split_time_s"])


@pytest.mark.mode(17)
def test_a_trial_that_a_later_export_leaves_out_is_asked_about_and_stays(tmp_path: Path) -> None:
    hall = Hall(tmp_path)
    hall.take(("gates-1/a.csv", export(0, 1, 2, 3)))
    assert gone(hall) == []
    hall.take(("gates-1/b.csv", export(0, 2, 3, 4)))
    assert flagged(hall) == [1.81] and len(hall.values()) == 5
    (asked,) = sheet(hall)
    assert asked["code"] == "gone_at_source" and asked["athlete"] == "Ana Prado (a01)"
    hall.answer(fill(hall.folder / "held" / "suspects.csv", {0: "ok"}))
    assert flagged(hall) == [] and sheet(hall) == [] and len(hall.values()) == 5


@pytest.mark.mode(17)
def test_what_comes_back_is_not_gone(tmp_path: Path) -> None:
    hall = Hall(tmp_path)
    hall.take(("gates-1/a.csv", export(0, 1, 2, 3)), ("gates-1/b.csv", export(0, 2, 3)))
    assert gone(hall) == [1.81]
    hall.take(("gates-1/d.csv", export(0, 1, 2, 3, battery=80)))
    assert gone(hall) == [] and len(hall.values()) == 4


@pytest.mark.parametrize(
    "later",
    [
        export(2, 3),  # it begins later
        export(0, 1),  # it ends earlier
        export(0, 4),  # of four that were known it has one
        export(4, 5),  # it has nothing in common
    ],
)
def test_a_part_or_another_time_says_nothing(tmp_path: Path, later: str) -> None:
    hall = Hall(tmp_path)
    hall.take(("gates-1/a.csv", export(0, 1, 2, 3)), ("gates-1/b.csv", later))
    assert gone(hall) == []


def test_a_withdrawn_export_says_nothing(tmp_path: Path) -> None:
    hall = Hall(tmp_path)
    hall.take(("gates-1/a.csv", export(0, 1, 2, 3)), ("gates-1/b.csv", export(0, 2, 3)))
    assert gone(hall) == [1.81]
    (file_id,) = [
        row[0] for row in hall.table("_drops").filter(path="gates-1/b.csv").select("file_id").rows()
    ]
    hall.correct(f"2025-04-01,me,wrong file,,{file_id[:16]},,,,,,strike,,")
    hall.take_in()
    assert gone(hall) == []

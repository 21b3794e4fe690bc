"""What must be told: files that a layout loses, files without a value, a name that was somebody else's."""

from __future__ import annotations

from pathlib import Path

import polars as pl
import pytest

from pipeline import show
from pipeline.intake.answering import Desk
from pipeline.intake.intake import IntakeReport
from pipeline.intake.sheets import Filled
from pipeline.intake.suspect_sheet import take_suspect
from schemas.frames import empty
from schemas.internal import SUSPECTS
from tests.end_to_end.runs import done, here
from tests.intake.facility_maker import JUMPS_HEADER, RUNS, Hall, run, runs


def printed(report: IntakeReport, hall: Hall, capsys: pytest.CaptureFixture[str]) -> str:
    capsys.readouterr()
    show.intake(report, hall.facility)
    return capsys.readouterr().out


@pytest.mark.mode(20)
def test_a_layout_that_no_longer_reads_its_files_is_told_before_and_after(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    hall = Hall(tmp_path)
    hall.take(
        ("gates-1/a.csv", runs(run())), ("mat-1/b.csv", JUMPS_HEADER + "Ana Prado,2025-03-01 10:00:00,500\n")
    )
    assert done("check", hall.folder).out.startswith("The config has no mistakes")
    hall.write("layouts/runs.toml", RUNS.replace('"Split"', '"Split (s)"'))
    checked = here("check", hall.folder)
    assert checked.status == 0 and "runs.toml" in checked.err and "1 file(s)" in checked.err
    assert len(hall.values()) == 1  # looking changes nothing
    report = hall.take_in()
    assert report.unread == [("gates-1/a.csv", "runs")] and hall.values() == []
    assert "gates-1/a.csv (layout runs)" in printed(report, hall, capsys)
    again = hall.take_in()
    assert again.unread == [] and done("check", hall.folder).status == 0
    status = done("status", hall.folder, "--json").report
    assert status["no_longer_read"] == [{"path": "gates-1/a.csv", "layout": "runs"}]
    assert "no longer read" in done("status", hall.folder).out
    hall.write("layouts/runs.toml", RUNS)
    hall.retry()
    assert len(hall.values()) == 1
    assert done("status", hall.folder, "--json").report["no_longer_read"] == []


@pytest.mark.mode(41)
def test_a_file_without_a_value_is_told(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    hall = Hall(tmp_path)
    report = hall.take(("gates-1/a.csv", runs()), ("gates-1/b.csv", runs(run())))
    told = printed(report, hall, capsys)
    assert "no value in it: gates-1/a.csv" in told and "b.csv" not in told
    status = done("status", hall.folder)
    assert "gates-1/a.csv" in status.out and "gates-1/b.csv" not in status.out


@pytest.mark.mode(1)
def test_an_alias_given_to_another_says_who_it_was(tmp_path: Path) -> None:
    hall = Hall(tmp_path)
    hall.take(("gates-1/a.csv", runs(run("Speedy"))))
    first = done("alias", hall.folder, "Speedy", "a02")
    assert "until now" not in first.out
    second = done("alias", hall.folder, "Speedy", "a03")
    assert "'Speedy' was João Sá (a02) until now" in second.out
    assert done("alias", hall.folder, "Speedy", "a01", "--json").report["was"] == "a03"
    assert hall.values() == [("a01", 1.83)]


def test_what_convert_cannot_part_is_said(tmp_path: Path) -> None:
    """Of a line with several values of one column, of which only some are off."""
    row = {
        "code": "unit_suspect",
        "places": "0123456789abcdef:2",
        "field": "split_time_s",
        "test": "linear_sprint",
    }
    row |= {"ratio": 10.0, "value": 18.3, "proposed": 1.83, "complete": False, "n_trials": 1}
    suspects = pl.concat([empty(SUSPECTS), pl.DataFrame([row])], how="diagonal_relaxed")
    hall = Hall(tmp_path)
    desk = Desk(hall.facility, pl.DataFrame())
    cells = {"code": row["code"], "lines": row["places"], "field": row["field"], "test": row["test"]}
    filled = Filled("suspects.csv", 2, {**cells, "multiplier": "", "answer": "convert"})
    assert take_suspect(desk, filled, suspects) is None
    assert "all would be converted" in desk.result.refused[0] and "supply" in desk.result.refused[0]

"""Answers taken back by command, and corrections that meet no row."""

from __future__ import annotations

from pathlib import Path

import pytest

from pipeline.intake.answers import read_answers
from tests.end_to_end.runs import done, here
from tests.intake.facility_maker import Hall, file_id, fill, run, runs

FIRST = runs(run(), run("A. P.", "10:20:00"), run("Mia Lund", "11:00:00", split="1.7S"))


@pytest.fixture(scope="module")
def made(tmp_path_factory: pytest.TempPathFactory) -> Hall:
    hall = Hall(tmp_path_factory.mktemp("made"))
    hall.take(("gates-1/a.csv", FIRST))
    hall.alias("A. P.", "a01")
    hall.answer(fill(hall.sheet("a.csv"), {0: "1.75"}))
    assert hall.held() == [(3, "unknown_name", "released"), (4, "not_a_number", "released")]
    return hall


@pytest.fixture
def hall(made: Hall, tmp_path: Path) -> Hall:
    return Hall.copy_of(made, tmp_path)


def test_a_name_is_taken_back_and_its_lines_wait_again(hall: Hall) -> None:
    ended = done("answers", hall.folder, "--take-back", "a. p.")
    assert "Taken back: name A. P." in ended.out and "1 question(s) open" in ended.out
    assert hall.held() == [(3, "unknown_name", "open"), (4, "not_a_number", "released")]
    hall.alias("A. P.", "a02")  # and answered anew
    assert ("a02", 1.83) in hall.values()
    kept = (hall.folder / "config" / "answers.csv").read_text("utf-8").splitlines()
    assert len(kept) == 1 + 4  # nothing was removed


def test_an_answer_is_taken_back_by_its_moment(hall: Hall) -> None:
    listed = done("answers", hall.folder, "--list", "--json").report["answers"]
    assert [one["answer"] for one in listed] == ["a01", "1.75"]
    moment = read_answers(hall.facility.config)[1].at.isoformat()
    assert moment in done("answers", hall.folder, "--list").out
    done("answers", hall.folder, "--take-back", moment)
    assert hall.held() == [(3, "unknown_name", "released"), (4, "not_a_number", "open")]
    assert [one.answer for one in read_answers(hall.facility.config)] == ["a01"]


@pytest.mark.parametrize("which", ["", "1999", "Nobody", "João Sá"])
def test_what_was_never_answered_can_not_be_taken_back(hall: Hall, which: str) -> None:
    ended = here("answers", hall.folder, "--take-back", which)
    assert ended.status == 2 and "--list" in ended.err
    assert len(read_answers(hall.facility.config)) == 2


def test_a_correction_that_meets_no_row_is_told_with_its_line(hall: Hall) -> None:
    file = file_id(FIRST)
    hall.correct(
        f"2025-04-01,me,why,,{file},2,,,,,strike,,",  # meets
        f"2025-04-01,me,why,,{file},9,,,,,strike,,",  # no such line
        "2025-04-01,me,why,,,,a02,2025-03-01,,,move,,a01",  # nobody has such a row
        f"2025-04-01,me,why,,{'0' * 16},,,,,,strike,,",  # a file that never came
        f"2025-04-01,me,why,,{file},3,,,,,supply,surface,track",  # meets
        f"2025-04-01,me,why,,{file},3,,,,,relabel,,flying_sprint",  # meets what was corrected above
    )
    hall.take_in()
    for command in ("held", "run"):
        ended = done(command, hall.folder, "--json")
        assert [one["line"] for one in ended.report["unmet_corrections"]] == [3, 4, 5], command
        assert "corrections.csv, line 3, action: this strike meets no row" in ended.err
    checked = done("check", hall.folder)
    assert checked.err.count("meets no row") == 3 and "3 thing(s) to look at" in checked.out


def test_a_withdrawal_is_not_told_to_meet_nothing_before_it_is_in_force_and_refresh_suffices(
    hall: Hall,
) -> None:
    hall.correct(f"2025-04-01,me,wrong file,,{file_id(FIRST)},,,,,,strike,,")
    assert "no mistakes" in done("check", hall.folder).out
    assert hall.values() != []
    ended = done("refresh", hall.folder, "--json")
    assert ended.report["unmet_corrections"] == [] and hall.values() == []


def test_a_facility_without_a_warehouse_is_checked_all_the_same(tmp_path: Path) -> None:
    hall = Hall(tmp_path)
    hall.correct("2025-04-01,me,why,,,,a02,2025-03-01,,,move,,a01")
    assert "no mistakes" in done("check", hall.folder).out
    assert not hall.file.exists()

"""Numbers that a spreadsheet has cut, trials without an order, and yardmark's own files dropped back."""

from __future__ import annotations

import io
from pathlib import Path

import pytest
import xlsxwriter

from schemas.coach_files import TODAY, WORKBOOK_MARK
from schemas.tables import TABLES, columns_of
from tests.intake.facility_maker import JUMPS_HEADER, WIDE_HEADER, Bench, Hall, fill, run, runs


@pytest.mark.mode(19)
@pytest.mark.parametrize("text", ["1.83E+00", "2E+00"])
def test_a_number_that_a_spreadsheet_cut_is_held_and_its_answer_taken(tmp_path: Path, text: str) -> None:
    hall = Hall(tmp_path)
    hall.take(("gates-1/a.csv", runs(run(split=text), run(trial=2, split="1.834e+00"))))
    assert hall.held() == [(2, "spreadsheet_damage", "open")]
    hall.answer(fill(hall.sheet("a.csv"), {0: "1.831"}))
    assert hall.values() == [("a01", 1.831), ("a01", 1.834)]


@pytest.mark.mode(19)
def test_a_date_made_of_a_number_is_held() -> None:
    assert Bench().runs(run(split="3-May") + run(trial=2)).codes() == [(2, "not_a_number")]


@pytest.mark.mode(24)
def test_several_trials_of_one_time_without_a_number_are_told() -> None:
    alone = WIDE_HEADER + "Ana Prado,01.03.2025 10:00,1.10,1.83,3.15\n"
    two = alone + "Ana Prado,01.03.2025 10:00,1.12,1.85,3.16\n"
    assert set(Bench().resolve(("gates-2/a.csv", alone)).rows()["flags"]) == {None}
    assert set(Bench().resolve(("gates-2/a.csv", two)).rows()["flags"]) == {"order_unknown"}
    timed = JUMPS_HEADER + "Ana Prado,2025-03-01 10:00:00,500\nAna Prado,2025-03-01 10:00:30,510\n"
    assert set(Bench().resolve(("mat-1/a.csv", timed)).rows("jump_trials")["flags"]) == {None}


def workbook() -> bytes:
    data = io.BytesIO()
    with xlsxwriter.Workbook(data) as book:
        book.set_properties({"comments": WORKBOOK_MARK})
        book.add_worksheet().write(0, 0, "Norms")
    return data.getvalue()


OURS: dict[str, bytes] = {
    "results.csv": (",".join(columns_of(TABLES["results"])) + "\na01,jump_height\n").encode(),
    "today.csv": b"\xef\xbb\xbf" + (";".join(TODAY) + "\r\n").encode(),
    "norms.csv": b"week,norms_version,sex,n_athletes,unit,note\n2026-01-26,x,female,12,cm,\n",
    "norms.xlsx": workbook(),
}


@pytest.mark.mode(62)
@pytest.mark.parametrize("name", OURS)
def test_a_file_of_ours_that_is_dropped_back_is_rejected(tmp_path: Path, name: str) -> None:
    hall = Hall(tmp_path)
    hall.take((f"gates-1/{name}", OURS[name]))
    assert hall.held() == [(None, "own_output", "open")]
    assert hall.table("files")["status"].to_list() == ["rejected"]


def test_an_export_with_some_of_these_columns_is_an_export(tmp_path: Path) -> None:
    hall = Hall(tmp_path)
    hall.take(("gates-1/a.csv", "athlete_id,week,unit," + runs(run()).replace("\nAna", "\na01,1,m,Ana")))
    assert hall.held() == [] and hall.counts() == [{"loaded": 1}]

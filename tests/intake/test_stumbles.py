"""What a newcomer stumbled over: two people of one name, sheets saved by a spreadsheet, odd drops."""

from __future__ import annotations

import io
import os
import shutil
from pathlib import Path

import pytest
import xlsxwriter

from pipeline.facility.packaged import data_folder
from tests.intake.facility_maker import Hall, fill, run, runs


def rui(second: int, split: str) -> str:
    return run("Rui Costa", time=f"10:00:{second:02d}", split=split)


@pytest.mark.mode(2)
def test_two_of_one_name_are_answered_line_by_line(tmp_path: Path) -> None:
    hall = Hall(tmp_path)
    hall.take(("gates-1/a.csv", runs(rui(1, "1.81"), rui(2, "1.92"))))
    report = hall.answer(fill(hall.sheet("a.csv"), {0: "a04", 1: "a05"}))
    assert report.answering is not None and report.answering.refused == []
    assert sorted(hall.values()) == [("a04", 1.81), ("a05", 1.92)]
    assert {code for _, code, _ in hall.held()} == {"ambiguous_name"}


def test_one_unknown_name_answered_two_ways_is_refused(tmp_path: Path) -> None:
    hall = Hall(tmp_path)
    lines = [run("Ana Prada", time=f"10:00:0{n}", split="1.8") for n in (1, 2)]
    hall.take(("gates-1/a.csv", runs(*lines)))
    report = hall.answer(fill(hall.sheet("a.csv"), {0: "a01", 1: "a03"}))
    assert report.answering is not None
    (refused,) = report.answering.refused
    assert "line 2" in refused and "line 3" in refused
    assert {athlete for athlete, _ in hall.values()} == {"a01"}


def test_a_line_that_waits_all_the_same_is_told(tmp_path: Path) -> None:
    hall = Hall(tmp_path)
    hall.take(("gates-1/a.csv", runs(run("Ana Prado", split="1.8x"))))
    report = hall.answer(fill(hall.sheet("a.csv"), {0: "1.8 s"}))
    assert report.answering is not None
    (told,) = report.answering.refused
    assert "still waits" in told and "1.8 s" in told


def test_a_whole_file_can_be_left_out(tmp_path: Path) -> None:
    hall = Hall(tmp_path)
    hall.take(("gates-1/x.csv", "Runner,Something\nAna Prado,1\n"))
    report = hall.answer(fill(hall.sheet("x.csv"), {0: "drop"}))
    assert report.open_codes == {}
    assert hall.counts() == [{"held": 2}]
    assert hall.held() == [(None, "no_layout", "answered")]
    assert not list((hall.folder / "held").glob("*.csv"))


def test_limits_are_told_in_the_unit_of_the_export(tmp_path: Path) -> None:
    hall = Hall(tmp_path)
    hall.take(("mat-1/a.csv", "Name,At,Flight\nAna Prado,2025-03-01 10:00:00,5200\n"))
    (reason,) = hall.table("held_rows")["reason"]
    assert "50 to 1000 ms" in reason


def test_a_filled_sheet_may_come_back_as_a_workbook(tmp_path: Path) -> None:
    hall = Hall(tmp_path)
    hall.take(("gates-1/a.csv", runs(run("Nobody Known", split="1.83"))))
    rows = [
        line.split(",")
        for line in (hall.folder / "held" / "questions.csv").read_text("utf-8-sig").splitlines()
    ]
    packed = io.BytesIO()
    with xlsxwriter.Workbook(packed, {"in_memory": True}) as book:
        sheet = book.add_worksheet()
        for at, row in enumerate(rows):
            sheet.write_row(at, 0, row if at == 0 else [*row[:-1], "a03"])
    hall.drop("filled.xlsx", packed.getvalue())
    report = hall.take_in()
    assert report.answering is not None and report.answering.taken == 1
    assert hall.values() == [("a03", 1.83)]


@pytest.mark.parametrize(
    ("delimiter", "mass", "encoding"),
    [(",", "71.4", "utf-8"), (";", "71,4", "cp1252"), (";", "71.4", "utf-8-sig"), ("\t", "71,4", "cp1252")],
)
def test_a_hand_sheet_is_read_as_a_spreadsheet_saved_it(
    tmp_path: Path, delimiter: str, mass: str, encoding: str
) -> None:
    hall = Hall(tmp_path)
    name = "sheet-body_measures"
    shutil.copy(
        data_folder("config") / "layouts" / f"{name}.toml",
        hall.folder / "config" / "layouts" / f"{name}.toml",
    )
    with (hall.folder / "config" / "facility.toml").open("a", encoding="utf-8") as settings:
        settings.write(f'\n[devices.{name}]\nfamily = "body_measures"\n')
    header = ["athlete_id", "name", "date", "mass_kg", "stature_cm"]
    header += ["sitting_height_cm", "leg_length_cm", "push_off_distance_cm"]
    rows = [
        header,
        ["a02", "João Sá", "2025-03-01", mass, "", "", "", ""],
        ["a03", "Mia Lund", "2025-03-01", *[""] * 5],
    ]
    hall.take(("by hand.csv", "\r\n".join(delimiter.join(row) for row in rows).encode(encoding)))
    assert hall.values("body_readings", "value") == [("a02", 71.4)]
    assert hall.counts() == [{"loaded": 1, "skipped": 1}]


@pytest.mark.skipif(not hasattr(os, "mkfifo"), reason="this system has no pipes with names")
def test_a_pipe_in_the_inbox_is_named_and_left_alone(tmp_path: Path) -> None:
    hall = Hall(tmp_path)
    os.mkfifo(hall.inbox / "pipe.csv")
    report = hall.take(("gates-1/a.csv", runs(run("Ana Prado"))))
    assert [(item.path.name, item.why) for item in report.waiting] == [("pipe.csv", "it is no plain file")]
    assert report.new_drops == 1

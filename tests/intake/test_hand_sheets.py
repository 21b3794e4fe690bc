"""Sheets filled in by hand, with dates and times as spreadsheets and people write them."""

from __future__ import annotations

import datetime as dt
import io
import shutil
from pathlib import Path

import pytest
import xlsxwriter

from pipeline.facility.packaged import data_folder
from tests.intake.facility_maker import Hall, fill

METRICS = """
[other_tests.row_2000]
label = "2000 m on the ergometer"
unit = "s"
decimals = 1
better = "lower"
hard = [300, 900]
soft = [330, 700]
source = "our own protocol"
"""


def hall_with(folder: Path, family: str) -> Hall:
    hall = Hall(folder)
    name = f"sheet-{family}"
    shutil.copy(data_folder("config") / "layouts" / f"{name}.toml", hall.folder / "config" / "layouts")
    with (hall.folder / "config" / "facility.toml").open("a", encoding="utf-8") as settings:
        settings.write(f'\n[devices.{name}]\nfamily = "{family}"\n')
    if family == "other_tests":
        hall.write("metrics.toml", METRICS)
    return hall


def masses(*rows: tuple[str, str]) -> str:
    header = "athlete_id,name,date,mass_kg,stature_cm,sitting_height_cm,leg_length_cm,push_off_distance_cm\n"
    return header + "".join(f"{who},,{day},71.4,,,,\n" for who, day in rows)


def days(hall: Hall) -> list[dt.date]:
    return hall.table("body_readings").sort("athlete_id")["local_date"].to_list()


@pytest.mark.mode(11, 19)
def test_an_order_that_a_line_proves_holds_for_the_sheet(tmp_path: Path) -> None:
    hall = hall_with(tmp_path, "body_measures")
    hall.take(("a.csv", masses(("a01", "04/03/2025"), ("a02", "14/03/2025"))))
    assert days(hall) == [dt.date(2025, 3, 4), dt.date(2025, 3, 14)] and hall.held() == []
    assert not hall.table("body_readings")["local_time"].is_not_null().any()


@pytest.mark.mode(11, 19)
def test_an_order_that_nothing_proves_is_asked(tmp_path: Path) -> None:
    hall = hall_with(tmp_path, "body_measures")
    # The other sheet's proof is none of this one's, and a date that leaves no doubt is taken.
    proof = masses(("a01", "25/03/2025"))
    hall.take(
        ("a.csv", masses(("a01", "04/03/2025"), ("a02", "5.3.2025"), ("a03", "2025-03-06"))), ("b.csv", proof)
    )
    assert hall.held() == [(2, "bad_date", "open")]
    assert "YYYY-MM-DD" in hall.table("held_rows")["reason"].item()
    hall.answer(fill(hall.sheet("a.csv"), {0: "2025-03-04"}))
    assert sorted(days(hall)) == [dt.date(2025, 3, day) for day in (4, 5, 6, 25)]


def test_both_orders_in_one_sheet_are_asked(tmp_path: Path) -> None:
    hall = hall_with(tmp_path, "body_measures")
    hall.take(("a.csv", masses(("a01", "14/03/2025"), ("a02", "03/15/2025"))))
    assert hall.held() == [(2, "bad_date", "open"), (3, "bad_date", "open")]


def test_date_cells_of_a_workbook_need_no_proof(tmp_path: Path) -> None:
    hall = hall_with(tmp_path, "body_measures")
    data = io.BytesIO()
    with xlsxwriter.Workbook(data) as book:
        sheet, style = book.add_worksheet(), book.add_format({"num_format": "dd/mm/yyyy"})
        for at, name in enumerate(masses().strip().split(",")):
            sheet.write(0, at, name)
        sheet.write(1, 0, "a01")
        sheet.write_datetime(1, 2, dt.datetime(2025, 3, 4), style)
        sheet.write(1, 3, 71.4)
    hall.take(("a.xlsx", data.getvalue()))
    assert days(hall) == [dt.date(2025, 3, 4)]


@pytest.mark.mode(9)
@pytest.mark.parametrize("said", ['"6:42,3"', "6:42.3"])
def test_a_clock_has_either_decimal_mark(tmp_path: Path, said: str) -> None:
    hall = hall_with(tmp_path, "other_tests")
    header = "athlete_id,name,date,declared_test,side,result,unit\n"
    hall.take(("a.csv", header + f"a01,,2025-03-01,row_2000,,{said},clock\n"))
    assert hall.values("other_trials", "value") == [("a01", pytest.approx(402.3))] and hall.held() == []

"""Workbooks: cells as text, the sheet's own rows, and the same tables as text gives."""

from __future__ import annotations

import io
import zipfile
from collections.abc import Callable
from datetime import date, datetime, time, timedelta

import pytest
import xlsxwriter

from pipeline.reading.lines import Dialect
from pipeline.reading.workbook import (
    UnreadableWorkbook,
    is_workbook,
    read_sheet,
    sheet_head,
    sheet_table,
    sheet_texts,
)


def workbook(fill: Callable[[xlsxwriter.Workbook], None]) -> bytes:
    buffer = io.BytesIO()
    with xlsxwriter.Workbook(buffer) as book:
        fill(book)
    return buffer.getvalue()


def of_rows(rows: list[list[object]], sheet: str | None = None) -> bytes:
    def fill(book: xlsxwriter.Workbook) -> None:
        page = book.add_worksheet(sheet)
        for i, row in enumerate(rows):
            page.write_row(i, 0, row)

    return workbook(fill)


def test_numbers_in_their_shortest_form() -> None:
    data = of_rows([[3, 3.5, -0.25, 1e22, 0.1, True, "00123", "a\nb"]])
    assert read_sheet(data, None, ".") == [["3", "3.5", "-0.25", "1e+22", "0.1", "TRUE", "00123", "a\nb"]]
    assert read_sheet(data, None, ",")[0][:4] == ["3", "3,5", "-0,25", "1e+22"]


def test_dates_and_times() -> None:
    def fill(book: xlsxwriter.Workbook) -> None:
        page = book.add_worksheet()
        kinds: list[tuple[date | time | timedelta, str]] = [
            (date(2025, 9, 1), "dd.mm.yyyy"),
            (datetime(2025, 9, 1, 10, 22), "dd.mm.yyyy hh:mm"),
            (datetime(2025, 9, 1, 10, 22, 0, 250_000), "dd.mm.yyyy hh:mm:ss.000"),
            (time(10, 22), "hh:mm:ss"),
            (timedelta(seconds=402.3), "mm:ss.0"),
            (timedelta(hours=26, seconds=5), "[h]:mm:ss"),
        ]
        for i, (value, shown) in enumerate(kinds):
            page.write_datetime(0, i, value, book.add_format({"num_format": shown}))

    expected = [
        "2025-09-01",
        "2025-09-01 10:22:00",
        "2025-09-01 10:22:00.25",
        "10:22:00",
        "00:06:42,3",
        "26:00:05",
    ]
    assert read_sheet(workbook(fill), None, ",") == [expected]


def test_rows_and_columns_are_the_sheets_own() -> None:
    def fill(book: xlsxwriter.Workbook) -> None:
        page = book.add_worksheet()
        page.write(2, 1, "x")
        page.write(4, 2, 1)

    rows = read_sheet(workbook(fill), None, ".")
    assert rows == [["", "", ""], ["", "", ""], ["", "x", ""], ["", "", ""], ["", "", "1"]]
    assert [(line.line, line.text, line.fields) for line in sheet_head(rows, 3)] == [
        (1, "", []),
        (2, "", []),
        (3, "\tx", ["", "x"]),
    ]
    assert sheet_texts(rows, [3, 5, 6]) == {3: "\tx", 5: "\t\t1"}


def test_sheets_by_name() -> None:
    def fill(book: xlsxwriter.Workbook) -> None:
        book.add_worksheet("Notes").write(0, 0, "n")
        book.add_worksheet("Data").write(0, 0, "d")

    data = workbook(fill)
    assert read_sheet(data, None, ".") == [["n"]]
    assert read_sheet(data, "Data", ".") == [["d"]]
    with pytest.raises(UnreadableWorkbook, match="no sheet 'Other'; the workbook has: Notes, Data"):
        read_sheet(data, "Other", ".")


def test_a_sheet_is_a_table_by_the_rules_of_lines() -> None:
    rows = [
        ["Hall", "", "", ""],
        ["name", "time", "", ""],
        ["Ana", "1,5", "", ""],
        ["", "", "", ""],
        ["# note", "", "", ""],
        ["Ben", "", "", ""],
        ["name ", "time", "", ""],
        ["Cid", "2", "", "x"],
        ['Dee "D"', "3", " ", ""],
        ["Total", "", "", "9"],
    ]
    table = sheet_table(rows, Dialect(comment="#", trailer=("Total",)), 2, ["name", "time", "", ""])
    assert table.cells.rows() == [
        (3, "Ana", "1,5", "", ""),
        (6, "Ben", "", "", ""),
        (9, 'Dee "D"', "3", "", ""),
    ]
    assert table.problems.select("line", "code").rows() == [(8, "too_many_fields")]
    assert table.skipped.rows() == [(4, "blank"), (5, "comment"), (7, "header"), (10, "trailer")]
    assert table.n_lines == 10


def zip_of(name: str) -> bytes:
    buffer = io.BytesIO()
    with zipfile.ZipFile(buffer, "w") as archive:
        archive.writestr(name, "x")
    return buffer.getvalue()


def test_what_is_a_workbook() -> None:
    data = of_rows([[1]])
    assert is_workbook(data, "a.csv")
    assert is_workbook(b"a;b\n", "A.XLSX")
    assert is_workbook(b"\xd0\xcf\x11\xe0\xa1\xb1\x1a\xe1...", "a.xls")
    assert is_workbook(zip_of("content.xml"), "a")
    assert not is_workbook(b"a\tb\n", "a.xls")
    assert not is_workbook(zip_of("a.csv"), "a.zip")
    assert not is_workbook(b"PK\x03\x04;1\n", "a.csv")


@pytest.mark.parametrize(
    "data", [b"", b"a;b\n", of_rows([[1]])[:300], b"\xd0\xcf\x11\xe0\xa1\xb1\x1a\xe1" + bytes(600)]
)
def test_unreadable_workbooks_say_what_to_do(data: bytes) -> None:
    with pytest.raises(UnreadableWorkbook, match="save it as"):
        read_sheet(data, None, ".")

"""Unknown bytes to cells: encoding, delimiter, header row, marks, words for nothing, no rows."""

from __future__ import annotations

from pathlib import Path

import pytest
import xlsxwriter

from pipeline.intake.propose import sniff
from pipeline.intake.propose.choices import CannotPropose
from pipeline.intake.propose.columns import Marks, find_marks, read_columns, read_preamble
from pipeline.intake.propose.sniff import Sheet, guess_encoding, open_unknown

ROWS = "Name;Day;Time (s)\nAna;13.05.2025;1,12\nRui;13.05.2025;1,09\n"


def opened(text: str, encoding: str = "utf-8", name: str = "x.csv") -> Sheet:
    return open_unknown(text.encode(encoding), name)


@pytest.mark.parametrize(
    ("encoding", "found"),
    [
        ("utf-8", "utf-8"),
        ("utf-8-sig", "utf-8"),
        ("utf-16", "utf-16"),
        ("utf-16-le", "utf-16"),
        ("cp1252", "cp1252"),
    ],
)
def test_encodings(encoding: str, found: str) -> None:
    text = ROWS.replace("Ana", "Inês Brandão")
    assert guess_encoding(text.encode(encoding))[0] == found
    sheet = opened(text, encoding)
    assert sheet.names == ["Name", "Day", "Time (s)"] and sheet.table.cells["c0"][0] == "Inês Brandão"


def test_a_foreign_byte_in_a_utf8_file_is_said_and_not_taken_for_another_encoding() -> None:
    lines = "Name;Time\n" + "Inês;1,1\n" * 20
    encoding, said = guess_encoding(lines.encode() + b"Jo\xe3o;1,2\n")
    assert encoding == "utf-8" and "line 22" in said


@pytest.mark.parametrize("delimiter", [",", ";", "\t", "|"])
@pytest.mark.parametrize("decimal", [".", ","])
def test_delimiters(delimiter: str, decimal: str) -> None:
    def cell(text: str) -> str:
        return f'"{text}"' if delimiter in text else text

    rows = [["Name", "Time (s)", "Force (N)"]] + [
        ["Ana", f"1{decimal}{i}2", f"9{decimal}{i}"] for i in range(9)
    ]
    sheet = opened("\n".join(delimiter.join(cell(one) for one in row) for row in rows))
    assert (sheet.dialect.delimiter, sheet.header_line, sheet.table.cells.height) == (delimiter, 1, 9)
    assert find_marks(sheet)[0].decimal == decimal


def test_the_header_row_is_found_below_other_lines() -> None:
    text = "Session of jumps\nOperator;LQ\nWind: 0,4\n\n" + ROWS
    sheet = opened(text)
    assert sheet.header_line == 5
    above = read_preamble(sheet.head, ";", [""], Marks(",", ""))
    assert [(one.name.written, one.texts[0]) for one in above] == [("Operator", "LQ"), ("Wind", "0,4")]


def test_distances_may_be_names() -> None:
    assert opened("athlete,5,10,20\nAna,1.1,1.9,3.2\nRui,1.0,1.8,3.0\n").names == ["athlete", "5", "10", "20"]


@pytest.mark.parametrize(
    ("cells", "decimal", "thousands", "doubtful"),
    [
        (["1,5", "2,25"], ",", "", False),
        (["1.5", "2.25"], ".", "", False),
        (["1.234,5", "2,5"], ",", ".", True),
        (["1,234.5", "2.5"], ".", ",", True),
        (["1.234", "2.345"], ".", "", True),  # decimals, or thousands? it is said
        (["7", "8"], ".", "", False),
    ],
)
def test_marks(cells: list[str], decimal: str, thousands: str, doubtful: bool) -> None:
    marks, choices = find_marks(opened("Name;Value\n" + "".join(f"Ana;{cell}\n" for cell in cells)))
    assert (marks.decimal, marks.thousands) == (decimal, thousands)
    assert any(choice.standing == "doubtful" for choice in choices) == doubtful


def test_words_for_nothing() -> None:
    sheet = opened("Name,Time\nAna,1.1\nRui,-\nEva,n/t\nLia,1.3\nTó,1.2\n")
    columns, nulls, choices = read_columns(sheet, Marks(".", ""))
    assert nulls == ["", "-", "n/t"] and columns[1].numeric == 1.0
    assert ["line 3" in choices[0].reason, "line 4" in choices[1].reason] == [True, True]


def test_a_strange_word_among_numbers_is_doubted() -> None:
    lines = ["Ana,1.1,x", "Rui,x,ok", "Eva,1.3,ok", "Lia,x,ok", "Eva,1.2,ok"]
    for text, nulls in (("Name,Time\n", ["", "x"]), ("Name,Time,Call\n", [""])):
        rows = [line.rsplit(",", 1)[0] for line in lines] if len(nulls) == 2 else lines
        _, found, choices = read_columns(opened(text + "\n".join(rows)), Marks(".", ""))
        assert found == nulls and all(choice.standing == "doubtful" for choice in choices)


def test_a_line_above_the_header_may_have_the_delimiter_in_it() -> None:
    sheet = opened("Runner: Reis, Ana\nRun: 2\nTime,Way\n0.1,1\n0.2,2\n")
    above = read_preamble(sheet.head, ",", [""], Marks(".", ""))
    assert [(one.name.written, one.texts[0]) for one in above] == [("Runner", "Reis, Ana"), ("Run", "2")]


def test_comments_and_totals_are_no_rows() -> None:
    sheet = opened("Name,Day,Time\n# battery low\nAna,2025-01-02,1.1\nRui,2025-01-02,1.2\nTotal,2\n")
    assert (sheet.dialect.comment, sheet.dialect.trailer) == ("#", ("Total",))
    assert sheet.table.cells["c0"].to_list() == ["Ana", "Rui"]


def test_a_line_that_was_cut_is_no_trailer_because_it_begins_with_a_name() -> None:
    sheet = opened("Name,Day,Time\nAna,2025-01-02,1.1\nRui,2025-01-02,1.2\nZoe,20")
    assert sheet.dialect.trailer == ()


def test_a_workbook_is_read_from_its_first_sheet_with_a_table(tmp_path: Path) -> None:
    file = tmp_path / "book.xlsx"
    with xlsxwriter.Workbook(file) as book:
        book.add_worksheet("About").write_string(0, 0, "made by a spreadsheet")
        sheet = book.add_worksheet("Data")
        for at, row in enumerate([["Name", "Mass (kg)"], ["Ana", 60.5], ["Rui", 70.25]]):
            sheet.write_row(at, 0, row)
    found = open_unknown(file.read_bytes(), file.name)
    assert found.sheet == "Data" and found.table.cells["c1"].to_list() == ["60.5", "70.25"]


@pytest.mark.parametrize("encoding", ["utf-8", "utf-16", "utf-16-le", "cp1252"])
def test_of_a_large_file_whole_first_lines_are_looked_at(
    monkeypatch: pytest.MonkeyPatch, encoding: str
) -> None:
    monkeypatch.setattr(sniff, "MOST_BYTES", 1_000)
    lines = ["Name;Time", *(f"Inês {i};1,{i:03d}" for i in range(500))]
    sheet = opened("\n".join(lines), encoding)
    assert 10 < sheet.table.cells.height < 100 and sheet.table.problems.is_empty()
    assert any("were looked at" in choice.reason for choice in sheet.choices)


@pytest.mark.parametrize("data", [b"", b"  \n\n", b"one column\n1\n2\n", b"1,2,3\n4,5,6\n", b"\x00" * 50])
def test_what_is_no_table_is_said(data: bytes) -> None:
    with pytest.raises(CannotPropose):
        open_unknown(data, "x.csv")

"""Config CSVs as spreadsheets leave them: every way of saving reads the same, every bad cell is named."""

from __future__ import annotations

from datetime import date
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from pipeline.facility.problems import Problem
from pipeline.facility.sheets import Column, read_sheet

COLUMNS = (
    Column("athlete_id", filled=True),
    Column("name", filled=True),
    Column("birth_date", "date"),
    Column("sex", words={"f": "female", "female": "female", "male": "male"}),
    Column("aliases", "list"),
    Column("mass_kg", "number"),
    Column("count", "integer"),
)
ROWS = [
    ["Athlete ID", "NAME", " birth_date", "sex", "aliases", "mass_kg", "count", "my notes"],
    ["a1", "Jörn Häffkamp", "2002-04-25", "Female", "J. H.|Jö", "1.5", "2", "x"],
    ["a2", "José Ventoso", "", "", "", "", "", ""],
]
EXPECTED = [
    (2, "a1", "Jörn Häffkamp", date(2002, 4, 25), "female", ["J. H.", "Jö"], 1.5, 2),
    (3, "a2", "José Ventoso", None, None, None, None, None),
]


def read(folder: Path, raw: bytes) -> tuple[list[tuple[object, ...]], list[Problem]]:
    (folder / "sheet.csv").write_bytes(raw)
    frame, problems = read_sheet(folder, "sheet.csv", COLUMNS)
    return frame.rows(), problems


@pytest.mark.parametrize("encoding", ["utf-8", "utf-8-sig", "utf-16", "cp1252"])
@pytest.mark.parametrize("delimiter", [",", ";", "\t"])
@pytest.mark.parametrize("end", ["\n", "\r\n", "\r"])
def test_every_way_of_saving_reads_the_same(tmp_path: Path, encoding: str, delimiter: str, end: str) -> None:
    text = "".join(delimiter.join(row) + end for row in ROWS)
    assert read(tmp_path, text.encode(encoding)) == (EXPECTED, [])


def test_what_spreadsheets_do_to_rows(tmp_path: Path) -> None:
    text = (
        "# saved by hand\n\nathlete_id;name;birth_date;sex;;;\n"
        'a1;"Häffkamp; Jörn";25.4.2002;F\n'
        ";;;;;;\n\n"
        'a2;"two\nlines ""quoted""";;male;;;\n'
        "a3;last"
    )
    rows, problems = read(tmp_path, text.encode())
    assert problems == []
    assert [row[:5] for row in rows] == [
        (4, "a1", "Häffkamp; Jörn", date(2002, 4, 25), "female"),
        (7, "a2", 'two\nlines "quoted"', None, "male"),
        (9, "a3", "last", None, None),
    ]


def test_lines_of_two_encodings_in_one_file(tmp_path: Path) -> None:
    raw = "athlete_id,name\na1,Jörn\n".encode("cp1252") + "a2,José\n".encode()
    assert [row[2] for row in read(tmp_path, raw)[0]] == ["Jörn", "José"]


def test_every_bad_cell_has_its_line_and_column(tmp_path: Path) -> None:
    text = (
        "athlete_id,name,birth_date,sex,mass_kg,count\n"
        "a1,,31.02.2002,femal,1.x,2.5\n"
        "\n"
        "a2,Kim,2002-02-28,f,,,surplus\n"
        'a3,"open,,,\n'
        "a4,Max,,,,\n"
    )
    rows, problems = read(tmp_path, text.encode())
    assert [(p.line, p.key) for p in problems] == [
        (5, None), (4, None), (2, "name"), (2, "birth_date"), (2, "sex"), (2, "mass_kg"), (2, "count"),
    ]  # fmt: skip
    assert "nearest known one is 'female'" in problems[4].message
    assert [row[1] for row in rows] == ["a1", "a2", "a4"]
    assert rows[0][2:] == (None, None, None, None, None, None)


def test_header_faults(tmp_path: Path) -> None:
    _, problems = read(tmp_path, b"\nathlete_id,Birthdate,sex,sex,notes\na1,2002-02-28,f,f,n\n")
    assert [(p.line, p.key) for p in problems] == [(2, "sex"), (2, "Birthdate"), (2, "name")]
    assert "'birth_date'" in problems[1].message
    _, problems = read(tmp_path, b"who,when\na1,b\n")
    assert len(problems) == 1 and "athlete_id" in problems[0].message


def test_bytes_that_no_encoding_explains(tmp_path: Path) -> None:
    rows, problems = read(tmp_path, b"athlete_id,name\na1,ok\na2,\x81\x8d\n")
    assert [(p.line, p.key) for p in problems] == [(3, None)]
    assert rows[0][2] == "ok"


def test_absent_and_empty_files_have_no_rows(tmp_path: Path) -> None:
    assert read_sheet(tmp_path, "none.csv", COLUMNS)[0].height == 0
    assert read(tmp_path, b"") == ([], [])
    assert read(tmp_path, b"athlete_id,name\n") == ([], [])


@settings(deadline=None, max_examples=60)
@given(st.binary(max_size=80))
def test_any_bytes_are_read_without_an_error(tmp_path_factory: pytest.TempPathFactory, raw: bytes) -> None:
    folder = tmp_path_factory.getbasetemp()
    rows, problems = read(folder, b"athlete_id,name,birth_date\n" + raw)
    assert all(problem.line is not None for problem in problems)
    assert len({row[0] for row in rows}) == len(rows)

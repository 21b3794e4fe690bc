"""Questions and answers: the sheets in held/, by command or dropped into the inbox, and what they release."""

from __future__ import annotations

import csv
from datetime import date
from pathlib import Path

import polars as pl
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from pipeline.cli import main
from pipeline.formulas import safe
from pipeline.intake.answers import Answer, append_answers, read_answers
from pipeline.intake.archive import utc_now
from pipeline.intake.sheets import HELD_HEADER, kind_of, read_filled, write_sheets
from tests.end_to_end.runs import done
from tests.intake.facility_maker import (
    LAYOUTS,
    RUNS,
    WEIGHTS_HEADER,
    WIDE_HEADER,
    Hall,
    file_id,
    fill,
    run,
    runs,
)

DATA = runs(
    run(),
    run("Nobody Known", trial=2),
    run(trial=3, split="x"),
    run("Rui Costa", trial=4),
    run("Visitor One", trial=5),
)


@pytest.fixture(scope="module")
def made(tmp_path_factory: pytest.TempPathFactory) -> Hall:
    hall = Hall(tmp_path_factory.mktemp("made"))
    hall.take(("gates-1/a.csv", DATA))
    return hall


@pytest.fixture
def hall(made: Hall, tmp_path: Path) -> Hall:
    return Hall.copy_of(made, tmp_path)


def rows_of(sheet: Path) -> list[dict[str, str]]:
    with sheet.open(encoding="utf-8-sig", newline="") as stream:
        return list(csv.DictReader(stream))


# --- what the sheets say --------------------------------------------------------------------------------


def test_two_of_one_name_are_told_apart_by_their_birth_dates(hall: Hall) -> None:
    (row,) = (row for row in rows_of(hall.sheet("a.csv")) if row["code"] == "ambiguous_name")
    assert "Rui Costa, born 2001-01-01 (a04), Rui Costa, born 2005-07-07 (a05)." in row["reason"]
    assert "born 2005-07-07" in done("held", hall.folder).out


def test_limits_are_told_of_the_quantity_in_the_unit_of_the_export(hall: Hall) -> None:
    hall.write("layouts/weights.toml", LAYOUTS["weights"].replace('unit_from = "Unit"', 'unit = "lb"'))
    hall.take(("scales-1/w.csv", WEIGHTS_HEADER + "Ana Prado;2025-03-01;weight;1754;\n"))
    (row,) = rows_of(hall.sheet("w.csv"))
    assert "there is '1754'; possible for mass are 33.07 to 551.2 lb." in row["reason"]


def test_lines_that_say_the_same_are_listed_as_one(hall: Hall) -> None:
    strange = [run("Nobody Known", trial=n) for n in (11, 12, 14)] + [run(trial=7)]
    far = [run(trial=n, split=f"{n}00.5") for n in range(20, 26)]
    hall.take(("gates-1/b.csv", runs(*strange, *far)))
    told = done("held", hall.folder).out
    of_b = [line.split("  ")[1:] for line in told.splitlines() if line.startswith("gates-1/b.csv")]
    assert ["2-4", "unknown_name"] in [[cell.strip() for cell in line if cell][:2] for line in of_b]
    assert "6-11" in told and "2000.5 ... 6 in all" in told
    assert done("status", hall.folder, "--json").report["open"]["unknown_name"] == 1


def test_a_sheet_names_line_reason_remedy_and_the_original(hall: Hall) -> None:
    sheet = hall.sheet()
    assert sheet.name == f"a.csv.{file_id(DATA)[:8]}.csv"
    rows = rows_of(sheet)
    assert list(rows[0]) == list(HELD_HEADER)
    assert [(r["line"], r["code"]) for r in rows] == [
        ("3", "unknown_name"),
        ("4", "not_a_number"),
        ("5", "ambiguous_name"),
        ("6", "guest"),
    ]
    assert rows[0]["value"] == "Nobody Known"
    assert rows[1]["original"] == "Ana Prado,2025-03-01,10:00:00,LIN,3,10,x,,90"
    assert rows[1]["reason"] == (
        "In column 'Split' there is 'x', which is no number in s with the decimal mark '.'."
    )
    assert "(a04), Rui Costa" in rows[2]["reason"]
    assert all(r["remedy"] and r["file_id"] == file_id(DATA) and r["answer"] == "" for r in rows)


def test_names_are_in_the_sheets_only(tmp_path: Path) -> None:
    """Written names, and the names of files, stay out of what is published."""
    layout = RUNS.replace('from = "Runner"', 'from = "Runner"\nmap = { Secret = "Secret" }')
    hall = Hall(tmp_path, layouts={**LAYOUTS, "runs": layout})
    odd = 'Secret,"open\nSecret,few\nSecret,a,b,c,d,e,f,g,h,i,j,k\n"Secret"x,1,2,3,4,5,6,7,8\n'
    data = runs(run("Secret"), run("Secret again"), odd).encode() + b"Secret\xff,1,2,3,4,5,6,7,8\n"
    hall.take(("gates-1/Secret.csv", data), ("lost/Secret.csv", "Secret\n"))
    assert hall.counts() == [{"held": 7}, {"held": 1}]
    for name in ("held_rows", "files"):
        assert "Secret" not in hall.table(name).write_csv()
    sheet = hall.sheet(f"Secret.csv.{file_id(data)[:8]}")
    originals = {row["line"]: row["original"].count("Secret") for row in rows_of(sheet)}
    assert list(originals.values()) == [1] * 7


def test_unknown_names_are_asked_once_for_all_files(hall: Hall) -> None:
    hall.take(("gates-1/b.csv", runs(run("Nobody Known", date="2025-04-01"), run("nobody known", trial=8))))
    (one, other) = rows_of(hall.folder / "held" / "questions.csv")
    assert (one["name"], one["device"], one["rows"]) == ("Nobody Known", "gates-1", "2")
    assert (one["first_date"], one["last_date"]) == ("2025-03-01", "2025-04-01")
    assert other["rows"] == "1"


def test_a_half_filled_answer_survives_rewriting_and_goes_with_its_row(hall: Hall) -> None:
    fill(hall.sheet(), {1: "-1.83", 3: "drop"})
    hall.take(("gates-1/b.csv", runs(run(trial=9))))
    hall.alias("Nobody Known", "a03")
    rows = rows_of(hall.sheet())
    assert [(r["line"], r["answer"]) for r in rows] == [("4", "'-1.83"), ("5", ""), ("6", "drop")]
    kind, filled, problems = read_filled(hall.sheet().read_bytes(), "x")
    assert (kind, [f.answer for f in filled], problems) == ("held", ["-1.83", "drop"], [])


def test_a_sheet_goes_when_its_last_row_is_released(hall: Hall) -> None:
    report = hall.answer(fill(hall.sheet(), {0: "a03", 1: "1.9", 2: "a05", 3: "a02"}))
    assert report.answering is not None and report.answering.refused == []
    assert report.released == 4
    assert not list((hall.folder / "held").glob("*"))
    assert hall.counts() == [{"loaded": 5}]
    states = hall.held()
    assert [(line, state) for line, _, state in states] == [(line, "released") for line in (3, 4, 5, 6)]


def test_other_files_in_held_stay(hall: Hall) -> None:
    folder = hall.folder / "held"
    (folder / "my notes.csv").write_text("a,b\n1,2\n", encoding="utf-8")
    copy = fill(hall.sheet(), {1: "1.9"}, folder / "filled in by me.csv")
    hall.alias("Nobody Known", "a03")
    assert copy.exists() and (folder / "my notes.csv").exists()
    assert hall.answer(copy).released == 1


# --- the answers ----------------------------------------------------------------------------------------


@pytest.mark.mode(1)
def test_alias_by_command(hall: Hall) -> None:
    assert hall.alias("NOBODY known", "a03").released == 1
    assert ("a03", 1.83) in hall.values()
    assert hall.held()[0] == (3, "unknown_name", "released")
    assert not (hall.folder / "held" / "questions.csv").exists()


def test_a_later_alias_takes_the_place_of_an_earlier_one(hall: Hall) -> None:
    hall.write("aliases.csv", "alias,athlete_id\nNobody Known,a02\n")
    hall.take_in()
    hall.alias("nobody  known", "a03")
    assert ("a03", 1.83) in hall.values()
    hall.alias("Nobody Known", "a04")
    assert ("a04", 1.83) in hall.values() and ("a03", 1.83) not in hall.values()


def test_a_narrow_alias_releases_its_device_and_days_only(hall: Hall) -> None:
    hall.take(("gates-1/b.csv", runs(run("Nobody Known", date="2025-04-01"))))
    hall.alias("Nobody Known", "a03", device="gates-1", start=date(2025, 4, 1), until=date(2025, 4, 1))
    assert hall.table("sprint_splits").filter(pl.col("athlete_id") == "a03")["local_date"].to_list() == [
        date(2025, 4, 1)
    ]
    assert (3, "unknown_name", "open") in hall.held()


def test_a_new_person_once_however_often_the_sheet_is_handed_in(hall: Hall) -> None:
    hall.take(("gates-1/b.csv", runs(run('"Known, Nobody"', date="2025-04-01"))))
    sheet = hall.folder / "held" / "questions.csv"
    copies = [fill(sheet, {0: "new", 1: "new"}, hall.folder / f"copy{n}.csv") for n in (1, 2)]
    report = hall.answer(copies[0])
    assert report.answering is not None and report.answering.new_people == ["n01 Nobody Known"]
    people = (hall.folder / "config" / "new_people.csv").read_text(encoding="utf-8")
    assert people.splitlines() == ["athlete_id,name,birth_date,sex,aliases", "n01,Nobody Known,,,"]
    roster = (hall.folder / "config" / "athletes.csv").read_text(encoding="utf-8")
    assert "Nobody" not in roster
    assert [v for v in hall.values() if v[0] == "n01"] == [("n01", 1.83)] * 2
    again = hall.answer(copies[1])
    assert again.answering is not None and again.answering.new_people == []
    assert len(again.answering.refused) == 2
    assert (hall.folder / "config" / "new_people.csv").read_text(encoding="utf-8") == people


def test_a_new_person_of_a_known_name_is_another_person(hall: Hall) -> None:
    hall.answer(fill(hall.sheet(), {2: "new"}))
    assert ("n01", 1.83) in hall.values()
    hall.take(("gates-1/b.csv", runs(run("Rui Costa", date="2025-05-01"))))
    assert (2, "ambiguous_name", "open") in hall.held()


def test_a_sheet_killed_before_it_was_taken_makes_no_second_person(hall: Hall) -> None:
    sheet = fill(hall.folder / "held" / "questions.csv", {0: "new"}, hall.folder / "copy.csv")
    hall.write("new_people.csv", "athlete_id,name,birth_date,sex,aliases\nn01,Nobody Known,,,\n")
    hall.answer(sheet)
    assert ("n01", 1.83) in hall.values()
    assert "n02" not in (hall.folder / "config" / "new_people.csv").read_text(encoding="utf-8")


@pytest.mark.parametrize("folder", ["gates-1", "somewhere/else"])
def test_a_sheet_dropped_into_any_inbox_folder_answers(hall: Hall, folder: str) -> None:
    fill(hall.sheet(), {0: "drop", 1: "1.77", 3: "a05"}, hall.inbox / folder / "filled in.CSV")
    report = hall.take_in()
    assert report.answering is not None and report.answering.taken == 3
    assert not list(hall.inbox.rglob("*.CSV"))
    assert hall.counts() == [{"loaded": 3, "held": 2}]
    assert ("a01", 1.77) in hall.values() and ("a05", 1.83) in hall.values()
    assert [(line, state) for line, _, state in hall.held()] == [
        (3, "answered"),
        (4, "released"),
        (5, "open"),
        (6, "released"),
    ]


def test_a_names_sheet_dropped_beside_new_exports_answers_both(hall: Hall) -> None:
    fill(hall.folder / "held" / "questions.csv", {0: "Mia Lund (a03)"}, hall.inbox / "answers.csv")
    hall.take(("gates-1/b.csv", runs(run("Nobody Known", trial=6))))
    assert [v for v in hall.values() if v[0] == "a03"] == [("a03", 1.83)] * 2


def test_a_sheet_as_another_spreadsheet_saves_it(hall: Hall) -> None:
    rows = rows_of(hall.sheet())
    rows[1]["answer"] = "1.77"
    lines = [list(rows[0]), *(list(row.values()) for row in rows)]
    text = "\r\n".join(";".join(f'"{cell}"' for cell in line) for line in lines)
    path = hall.drop("back.csv", text.encode("utf-16"))
    hall.take_in()
    assert not path.exists()
    assert ("a01", 1.77) in hall.values()


@pytest.mark.parametrize(
    ("row", "said", "why"),
    [
        (0, "a99", "is no athlete_id"),
        (0, "somebody", "is no athlete_id"),
        (1, "ok", "does not answer not_a_number"),
        (1, "second_session", "does not answer not_a_number"),
    ],
)
def test_a_wrong_answer_is_refused_by_sheet_and_line(hall: Hall, row: int, said: str, why: str) -> None:
    before = hall.tables()
    report = hall.answer(fill(hall.sheet(), {row: said}))
    assert report.answering is not None and report.answering.taken == 0
    (refused,) = report.answering.refused
    assert refused.startswith(f"{hall.sheet().name}, line {row + 2}: ") and why in refused
    for name, frame in hall.tables().items():
        assert frame.equals(before[name]), name


def test_a_meddled_sheet_is_refused(hall: Hall) -> None:
    rows = rows_of(hall.sheet())
    cells = dict(rows[1], answer="1.9")
    odd = [
        dict(cells, line="5000"),
        dict(cells, line="four"),
        dict(cells, code="nonsense"),
        dict(cells, field="split"),
        dict(cells, file_id="0" * 16),
        dict(cells, line=""),
    ]
    path = hall.folder / "odd.csv"
    with path.open("w", encoding="utf-8", newline="") as stream:
        writer = csv.DictWriter(stream, HELD_HEADER)
        writer.writeheader()
        writer.writerows(odd)
        stream.write('"never closed,1\n')
    report = hall.answer(path)
    assert report.answering is not None and report.answering.taken == 0
    assert [said.split(":")[0] for said in report.answering.refused] == [
        f"odd.csv, line {line}" for line in range(2, 9)
    ]


def test_no_sheet_at_all_is_an_error(hall: Hall) -> None:
    path = hall.folder / "x.csv"
    path.write_text("a,b\n1,2\n", encoding="utf-8")
    with pytest.raises(ValueError, match=r"x\.csv is no sheet of yardmark"):
        hall.answer(path)


def test_a_still_wrong_value_is_asked_again(hall: Hall) -> None:
    hall.answer(fill(hall.sheet(), {1: "700"}))
    assert (4, "out_of_range", "open") in hall.held()
    hall.answer(fill(hall.sheet(), {1: "1.95"}))
    assert ("a01", 1.95) in hall.values()
    assert (4, "out_of_range", "released") in hall.held()


def test_an_answer_for_a_cell_of_an_unpivoted_line(tmp_path: Path) -> None:
    hall = Hall(tmp_path)
    data = WIDE_HEADER + "Ana Prado,01.03.2025 10:00,1.00,1?9,3.x\nAna Prado,01.03.2025 10:00,1.1,1.9,2.9\n"
    hall.take(("gates-2/w.csv", data))
    rows = rows_of(hall.sheet())
    assert [r["field"] for r in rows] == ["split_time_s [10 m]", "split_time_s [20 m]"]
    hall.answer(fill(hall.sheet(), {0: "1.90"}))
    assert [state for _, _, state in hall.held()] == ["released", "open"]
    assert hall.counts() == [{"loaded": 1, "held": 1}]
    hall.answer(fill(hall.sheet(), {0: "3.00"}))
    rows = hall.table("sprint_splits").filter(pl.col("line") == 2).sort("distance_m")
    assert rows["split_time_s"].to_list() == [1.0, 1.9, 3.0]
    assert rows["trial"].to_list() == [1, 1, 1]


def test_answers_for_time_name_word_and_unit(tmp_path: Path) -> None:
    hall = Hall(tmp_path)
    data = WEIGHTS_HEADER + "Ana Prado;1.3.2025;weight;60;kg\n;2025-03-02;weight;60;kg\n"
    data += "Ana Prado;2025-03-03;girth;60;kg\nAna Prado;2025-03-04;weight;60;stone\n"
    data += "Ana Prado;2025-03-05;weight;;\n"
    hall.take(("scales-1/w.csv", data))
    assert [code for _, code, _ in hall.held()] == ["bad_date", "missing_value", "not_in_map", "unknown_unit"]
    hall.answer(fill(hall.sheet(), {0: "2025-03-01", 1: "João Sá", 2: "mass", 3: "kg"}))
    assert hall.counts() == [{"loaded": 4, "skipped": 1}]
    rows = hall.table("body_readings").sort("line").select("athlete_id", "quantity", "value").rows()
    assert rows == [(who, "mass", 60.0) for who in ("a01", "a02", "a01", "a01")]


def test_taking_an_answer_back_holds_the_line_again(hall: Hall) -> None:
    before = hall.tables()
    hall.answer(fill(hall.sheet(), {1: "1.77"}))
    (given,) = read_answers(hall.folder / "config")
    undo = Answer(utc_now(), "me", given.kind, given.subject, "", given.at.isoformat())
    append_answers(hall.folder / "config", [undo])
    hall.take_in()
    for name, frame in hall.tables().items():
        assert frame.equals(before[name]), name


def test_released_rows_keep_their_history_when_all_is_made_anew(hall: Hall) -> None:
    hall.answer(fill(hall.sheet(), {0: "a03", 1: "1.9", 2: "drop"}))
    before = hall.table("held_rows")
    (hall.folder / "warehouse" / "yardmark.duckdb").unlink()
    hall.take_in()
    assert hall.table("held_rows").equals(before)


def test_a_word_added_to_the_map_releases_its_lines(hall: Hall) -> None:
    hall.take(("gates-1/b.csv", runs(run(trial=7, drill="FLY"), run(trial=8, drill="linear_sprint"))))
    assert hall.counts()[-1] == {"held": 2}
    hall.write("layouts/runs.toml", RUNS.replace("LIN =", 'FLY = "flying_sprint", LIN ='))
    assert hall.retry().released == 1
    assert hall.counts()[-1] == {"loaded": 1, "held": 1}


def test_a_mended_layout_counts_for_all_that_it_has_read(hall: Hall) -> None:
    """As if everything were made anew; but a layout with mistakes leaves alone what it read when sound."""
    before = hall.tables()
    hall.write("layouts/runs.toml", RUNS.replace('unit = "m"', 'unit = "yd"'))
    hall.take_in()
    changed = hall.tables()
    assert changed["sprint_splits"]["distance_m"].to_list() == [9.144]
    (hall.folder / "warehouse" / "yardmark.duckdb").unlink()
    hall.take_in()
    for name, frame in hall.tables().items():
        assert frame.equals(changed[name]), name
    hall.write("layouts/runs.toml", "no layout")
    hall.take_in()
    assert hall.tables()["sprint_splits"].equals(changed["sprint_splits"])
    hall.write("layouts/runs.toml", RUNS)
    hall.take_in()
    for name, frame in hall.tables().items():
        assert frame.equals(before[name]), name


def test_the_commands_say_what_they_did(hall: Hall, capsys: pytest.CaptureFixture[str]) -> None:
    folder = str(hall.folder)
    assert main(["alias", folder, "Nobody Known", "a99"]) == 2
    assert "'a99' is no athlete_id" in capsys.readouterr().err
    assert main(["alias", folder, "Nobody Known", "a03", "--device", "gates-1"]) == 0
    fill(hall.sheet(), {0: "1.77", 1: "nobody"})
    assert main(["answers", folder]) == 0
    said = capsys.readouterr().out
    assert "1 answer(s) taken" in said and f"{hall.sheet().name}, line 3: 'nobody'" in said
    assert sorted(hall.values()) == [("a01", 1.77), ("a01", 1.83), ("a03", 1.83)]
    assert main(["answers", folder, str(hall.folder / "nothing.csv")]) == 2


# --- the sheet itself -----------------------------------------------------------------------------------

cells = st.text(st.sampled_from("'=+-@a1\" ,;\u00e4"), max_size=6)


@settings(deadline=None, suppress_health_check=[HealthCheck.too_slow])
@given(st.lists(cells, min_size=9, max_size=9))
@pytest.mark.mode(59)
def test_no_cell_is_a_formula_and_every_cell_comes_back(row: list[str]) -> None:
    for cell in row:
        assert not safe(cell).startswith(("=", "+", "-", "@"))
    row = [cell.strip() for cell in row]
    row[HELD_HEADER.index("answer")] = "x"
    line = ",".join('"' + safe(cell).replace('"', '""') + '"' for cell in row)
    kind, filled, _ = read_filled(f"{','.join(HELD_HEADER)}\n{line}\n".encode(), "s")
    # A line that begins with # is a remark, and one in which nothing stands is none.
    assert kind == "held"
    assert list(filled[0].cells.values()) == row


@given(st.binary(max_size=80))
def test_no_bytes_upset_the_look_for_sheets(data: bytes) -> None:
    assert kind_of(data) is None


@pytest.mark.mode(59)
def test_names_that_look_like_formulas_are_answered(tmp_path: Path) -> None:
    hall = Hall(tmp_path)
    hall.take(("gates-1/a.csv", runs(run("=cmd|x"), run("-7", trial=2), run("'@me", trial=3))))
    sheet = hall.folder / "held" / "questions.csv"
    assert {r["name"] for r in rows_of(sheet)} == {"'=cmd|x", "'-7", "''@me"}
    report = hall.answer(fill(sheet, {0: "a01", 1: "a02", 2: "a03"}))
    assert report.answering is not None and report.answering.refused == []
    assert hall.counts() == [{"loaded": 3}]


def test_sheets_are_not_rewritten_where_nothing_changed(tmp_path: Path) -> None:
    header = HELD_HEADER
    row = ("f" * 16, "2", "not_a_number", "x", "1", "r", "m", "", "o")
    sheets = {"x.12345678.csv": (header, [row])}
    assert write_sheets(tmp_path, sheets, ()) == ["x.12345678.csv"]
    assert write_sheets(tmp_path, sheets, ()) == []
    assert write_sheets(tmp_path, {}, ()) == []
    assert not list(tmp_path.iterdir())


def test_an_answer_file_torn_in_its_last_line_costs_no_other(tmp_path: Path) -> None:
    config = tmp_path
    given = Answer(utc_now(), "me", "name", "A B|||", "a01")
    append_answers(config, [given])
    with (config / "answers.csv").open("ab") as stream:
        stream.write(b"2025-01-01T00:00:00,me,na")
    append_answers(config, [given])
    assert read_answers(config) == [given, given]

"""A file through its layout: text to typed rows, and every cell that is wrong by line."""

from __future__ import annotations

import io
from datetime import datetime
from pathlib import Path

import pytest
import xlsxwriter

from tests.intake.facility_maker import RUNS, SETTINGS, WEIGHTS, WEIGHTS_HEADER, Bench, Hall, Told, run, runs

bench = Bench()


def bench_of(tmp_path: Path, **layouts: str) -> Bench:
    facility = Hall(tmp_path, layouts=layouts).facility
    assert not facility.faulty_layouts, facility.faulty_layouts
    return Bench(facility)


def through(tmp_path: Path, old: str, new: str, *lines: str) -> Told:
    """Lines through the layout `runs` with a part of it changed."""
    assert old in RUNS
    return bench_of(tmp_path, runs=RUNS.replace(old, new)).resolve(("gates-1/x.csv", runs(*lines)))


# --- cells ----------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("bad", "code", "field", "value"),
    [
        (run(split="1,83"), "not_a_number", "split_time_s", '"1"'),
        (run(split="abc"), "not_a_number", "split_time_s", "abc"),
        (run(split="0.01"), "out_of_range", "split_time_s", "0.01"),
        (run(split="inf"), "not_a_number", "split_time_s", "inf"),
        (run(trial="1.5"), "not_a_number", "trial", "1.5"),
        (run(trial="-1"), "out_of_range", "trial", "-1"),
        (run(trial="99999999999"), "not_a_number", "trial", "99999999999"),
        (run(gate=""), "missing_value", "distance_m", None),
        (run(drill="XXX"), "not_in_map", "test", "XXX"),
        (run(drill="linear_sprint"), "not_in_map", "test", "linear_sprint"),
        (run(name=""), "missing_value", "athlete", None),
        (run(date="01.03.2025"), "bad_date", "performed_at", "01.03.2025 10:00:00"),
        (run(date="2025-02-30"), "bad_date", "performed_at", "2025-02-30 10:00:00"),
        (run(date="", time=""), "missing_value", "performed_at", None),
        (run(date="2099-01-01"), "in_future", "performed_at", "2099-01-01 10:00"),
        (run(date="2023-12-31"), "before_device", "performed_at", "2023-12-31 10:00"),
    ],
)
def test_one_bad_cell_holds_its_line_and_no_other(bad: str, code: str, field: str, value: str | None) -> None:
    bad = bad.replace("1,83", '"1,83"')
    told = bench.runs(run() + bad + run(trial=2))
    assert told.fates() == {2: "loaded", 3: "held", 4: "loaded"}
    (held,) = told.resolved.tables["held_rows"].to_dicts()
    assert (held["line"], held["code"], held["field"]) == (3, code, field)
    assert held["value"] == ("1,83" if value == '"1"' else value if field != "athlete" else None)
    assert held["reason"] and held["remedy"]


def test_several_bad_cells_of_a_line_are_all_named() -> None:
    told = bench.runs(run(split="x", trial="y", drill="Z", date="?"))
    assert {code for _, code in told.codes()} == {"not_a_number", "not_in_map", "bad_date"}
    assert len(told.codes()) == 4


def test_a_line_without_values_is_skipped_however_bad_the_rest() -> None:
    told = bench.runs(run(split="-", date="?") + run(split="") + run("Nobody", split="-"))
    assert set(told.fates().values()) == {"skipped"}
    assert told.codes() == []


@pytest.mark.parametrize(
    ("line", "code"),
    [
        ('Ana,"open\n', "open_quote"),
        ('"Ana"x,2025-03-01,10:00:00,LIN,1,10,1.8,,\n', "bad_quotes"),
        ("a,b\n", "too_few_fields"),
        (run().strip() + ",x,y\n", "too_many_fields"),
    ],
)
def test_a_line_that_is_no_row_is_held_alone(line: str, code: str) -> None:
    told = bench.runs(run() + line + run(trial=2))
    assert told.codes() == [(3, code)]
    assert told.fates() == {2: "loaded", 3: "held", 4: "loaded"}


def test_a_line_with_bad_bytes_is_held_alone() -> None:
    data = (
        runs(run()).encode() + b"Jo\xe3o S\xe1,2025-03-01,10:00:00,LIN,2,10,1.9,,\n" + run(trial=3).encode()
    )
    told = bench.resolve(("gates-1/x.csv", data))
    assert told.codes() == [(3, "bad_bytes")]
    assert told.fates()[4] == "loaded"


def test_only_a_header_is_no_fault() -> None:
    for place, header in (("gates-1", runs()), ("scales-1", WEIGHTS_HEADER)):
        told = bench.resolve((f"{place}/x.csv", header))
        assert (told.fates(), told.codes()) == ({}, [])
        assert told.resolved.tables["files"]["status"].to_list() == ["loaded"]


# --- numbers and units ----------------------------------------------------------------------------------


def weigh(*lines: str) -> Told:
    data = WEIGHTS_HEADER + "".join(f"{line}\n" for line in lines)
    return bench.resolve(("scales-1/w.csv", data))


@pytest.mark.mode(9)
def test_decimal_and_thousands_marks() -> None:
    told = weigh("Ana Prado;2025-03-01;weight;61.250,5;g", "Ana Prado;2025-03-02;weight;61.25;kg")
    assert told.rows("body_readings")["value"].to_list() == [61.2505]
    assert told.codes() == [(3, "not_a_number")]


def test_a_unit_column_by_row() -> None:
    told = weigh(
        "Ana Prado;2025-03-01;weight;135;lb",
        "Ana Prado;2025-03-01;height;171,5;cm",
        "Ana Prado;2025-03-02;height;5'7\";ft_in",
        "Ana Prado;2025-03-03;weight;171,5;cm",
        "Ana Prado;2025-03-04;weight;60;stone",
        "Ana Prado;2025-03-05;weight;60;",
    )
    rows = told.rows("body_readings").sort("line").select("quantity", "value", "unit").rows()
    # The international pound and inch: NIST SP 811 (2008), appendix B.
    assert rows[0] == ("mass", pytest.approx(135 * 0.45359237, abs=1e-12), "kg")
    assert rows[1] == ("stature", 1.715, "m")
    assert rows[2] == ("stature", pytest.approx(67 * 0.0254, abs=1e-12), "m")
    assert told.codes() == [(5, "unknown_unit"), (6, "unknown_unit"), (7, "unknown_unit")]


def test_a_unit_column_without_a_single_known_unit() -> None:
    told = weigh("Ana Prado;2025-03-01;weight;135;stone", "Ana Prado;2025-03-02;weight;135;")
    assert told.codes() == [(2, "unknown_unit"), (3, "unknown_unit")]


def test_a_map_of_numbers_is_in_the_columns_unit(tmp_path: Path) -> None:
    old = '[columns.distance_m]\nfrom = "Gate"\nunit = "m"'
    new = '[columns.distance_m]\nfrom = "Gate"\nunit = "yd"\nmap = { first = 10, last = 20.5 }'
    told = through(tmp_path, old, new, run(gate="first"), run(gate="last"), run(gate="10"))
    assert told.rows()["distance_m"].sort().to_list() == [9.144, pytest.approx(20.5 * 0.9144)]
    assert told.codes() == [(4, "not_in_map")]


def test_a_map_whose_word_is_no_number_is_a_mistake(tmp_path: Path) -> None:
    layout = RUNS.replace('from = "Run"', 'from = "Run"\nmap = { a = 1, b = "two" }')
    facility = Hall(tmp_path, layouts={"runs": layout}).facility
    (problem,) = facility.faulty_layouts["runs"]
    assert "'two' must be a number for trial" in problem.message


# --- where text comes from ------------------------------------------------------------------------------

BLOCK = '[columns.shoes]\nfrom = "Shoes"'


@pytest.mark.parametrize(
    ("above", "wind"),
    [
        ("Wind: -0.4\n", -0.4),
        ("Hall,3\nWind,0.4,,,\n", 0.4),
        ('"Wind:","0.4"\n', 0.4),
        ("Wind = 0.4\n", 0.4),
        ("Wind\t0.4\n", 0.4),
        ("Wind: -\n", None),
        ("Wind:\n", None),
        ("Wind,\n", None),
    ],
)
def test_a_value_from_above_the_header(tmp_path: Path, above: str, wind: float | None) -> None:
    layout = RUNS.replace(BLOCK, '[columns.wind_m_s]\npreamble = "Wind"\nunit = "m/s"')
    for folder, mark in (("commas", ","), ("semicolons", ";")):
        made = bench_of(tmp_path / folder, runs=layout.replace("[file]", f'[file]\ndelimiter = "{mark}"'))
        told = made.resolve(("gates-1/x.csv", above + runs(run()).replace(",", mark)))
        assert told.codes() == []
        assert told.rows()["wind_m_s"].to_list() == [wind]


def test_a_missing_or_bad_value_above_the_header(tmp_path: Path) -> None:
    layout = RUNS.replace(BLOCK, '[columns.wind_m_s]\npreamble = "Wind"\nunit = "m/s"')
    made = bench_of(tmp_path, runs=layout)
    assert made.resolve(("gates-1/x.csv", runs(run()))).codes() == [(None, "missing_preamble")]
    # Below the header it does not count.
    assert made.resolve(("gates-1/x.csv", runs(run(), "Wind: 1\n"))).codes() == [(None, "missing_preamble")]
    bad = made.resolve(("gates-1/x.csv", "Wind: strong\n" + runs(run(), run(trial=2))))
    assert bad.codes() == [(3, "not_a_number"), (4, "not_a_number")]


def test_a_value_from_the_name(tmp_path: Path) -> None:
    pattern = '[columns.surface]\nfilename = "_(?P<surface>[a-z]+)\\\\.csv$"'
    layout = RUNS.replace(BLOCK, pattern)
    made = bench_of(tmp_path, runs=layout)
    assert made.resolve(("gates-1/2025_hall.csv", runs(run()))).rows()["surface"].to_list() == ["hall"]
    assert made.resolve(("gates-1/2025.csv", runs(run()))).codes() == [(None, "name_pattern")]


def test_dated_constants_across_their_boundary(tmp_path: Path) -> None:
    constant = """[columns.start_offset_m]
value = [ { until = 2025-03-02, is = 0.5 }, { from = 2025-03-02, until = 2025-03-04, is = 30 } ]
unit = "m"
"""
    days = ("2025-03-01", "2025-03-02", "2025-03-03", "2025-03-04")
    told = through(tmp_path, BLOCK, constant, *(run(date=day, time="23:59:59") for day in days))
    assert told.rows().sort("line")["start_offset_m"].to_list() == [0.5, 30.0, 30.0, None]


def test_a_mark_that_is_unknown_holds_and_a_missing_one_is_ok(tmp_path: Path) -> None:
    lines = (run(shoes="failed"), run(trial=2), run(trial=3, shoes="?"))
    told = through(tmp_path, "columns.shoes", "columns.mark", *lines)
    rows = told.rows().sort("line").select("mark", "flags").rows()
    assert rows == [("failed", "failed"), ("ok", None)]
    assert told.codes() == [(4, "not_allowed")]


# --- time -----------------------------------------------------------------------------------------------


def moments(told: Told) -> list[tuple[object, ...]]:
    rows = told.rows().sort("line")
    return rows.select("performed_at_utc", "local_date", "local_time", "flags").rows()


def test_time_is_the_facilitys_unless_the_layout_says_another(tmp_path: Path) -> None:
    zone = 'format = "%Y-%m-%d %H:%M:%S"\ntimezone = "America/New_York"'
    told = through(tmp_path, 'format = "%Y-%m-%d %H:%M:%S"', zone, run(date="2025-07-01", time="22:00:00"))
    ((utc, day, clock, flags),) = moments(told)
    assert (utc, str(day), str(clock), flags) == (datetime(2025, 7, 2, 2), "2025-07-02", "03:00:00", None)
    ((utc, *_),) = moments(bench.runs(run(date="2025-07-01", time="22:00:00")))
    assert utc == datetime(2025, 7, 1, 21)


@pytest.mark.mode(12)
def test_folded_and_skipped_hours() -> None:
    """Lisbon: clocks forward at 01:00 on 30 March 2025, back at 02:00 on 26 October 2025 (tz database)."""
    days = ("2025-03-30", "2025-10-26", "2025-03-01")
    told = bench.runs("".join(run(date=day, time="01:30:00") for day in days))
    rows = moments(told)
    assert [row[0] for row in rows] == [
        datetime(2025, 3, 30, 1, 30),
        datetime(2025, 10, 26, 0, 30),
        datetime(2025, 3, 1, 1, 30),
    ]
    assert str(rows[0][2]) == "02:30:00"
    assert [row[3] for row in rows] == ["time_ambiguous", "time_ambiguous", None]


@pytest.mark.mode(13)
def test_a_clock_that_was_wrong_is_set_right_before_all_checks(tmp_path: Path) -> None:
    clock = """[[devices.gates-1.clock]]
from = 2012-01-01
to = 2012-01-02
offset_seconds = 416_016_000.5
[[devices.gates-1.clock]]
from = 2025-03-01
to = 2025-03-02
offset_seconds = -3600
"""
    facility = Hall(tmp_path, settings=SETTINGS + clock).facility
    data = runs(
        run(date="2012-01-01", time="10:00:00"),
        run(date="2025-03-01", time="00:00:00"),
        run(date="2025-03-02", time="00:00:00"),
        run(date="2025-02-28", time="23:59:59"),
    )
    told = Bench(facility).resolve(("gates-1/x.csv", data))
    assert told.codes() == []
    times = told.rows().sort("line")["performed_at_utc"].to_list()
    assert times == [
        datetime(2025, 3, 8, 10, 0, 0, 500_000),
        datetime(2025, 2, 28, 23),
        datetime(2025, 3, 2),
        datetime(2025, 2, 28, 23, 59, 59),
    ]


def test_a_date_alone_has_no_time_and_stays_that_date() -> None:
    told = weigh("Ana Prado;2025-07-01;weight;60;kg")
    row = told.rows("body_readings").row(0, named=True)
    assert (row["time_known"], row["local_time"], str(row["local_date"])) == (False, None, "2025-07-01")


def test_sessions_by_day_start() -> None:
    told = bench.runs(run(time="02:59:59") + run(time="03:00:00") + run(date="2025-02-28", time="23:00:00"))
    rows = told.rows().sort("line")["session_id"].to_list()
    assert rows[0] == rows[2] != rows[1]
    slots = told.resolved.tables["_session_slots"].sort("session_date")
    assert [str(day) for day in slots["session_date"]] == ["2025-02-28", "2025-03-01"]


# --- other ways of writing a file -----------------------------------------------------------------------


@pytest.mark.parametrize(("encoding", "bom"), [("utf-8", b"\xef\xbb\xbf"), ("utf-16", b""), ("cp1252", b"")])
@pytest.mark.parametrize("ends", ["\n", "\r\n", "\r"])
@pytest.mark.mode(10)
def test_encodings_and_line_ends(tmp_path: Path, encoding: str, bom: bytes, ends: str) -> None:
    layout = RUNS.replace("[file]", f'[file]\nencoding = "{encoding}"')
    data = bom + runs(run("João Sá"), run("João Sá", trial=2)).replace("\n", ends).encode(encoding)
    told = bench_of(tmp_path, runs=layout).resolve(("gates-1/x.csv", data))
    assert told.fates() == {2: "loaded", 3: "loaded"}
    assert told.rows()["athlete_id"].to_list() == ["a02", "a02"]


def workbook(rows: list[list[object]]) -> bytes:
    data = io.BytesIO()
    with xlsxwriter.Workbook(data, {"default_date_format": "yyyy-mm-dd"}) as book:
        book.add_worksheet("first").write(0, 0, "nothing here")
        sheet = book.add_worksheet("data")
        for at, row in enumerate(rows):
            sheet.write_row(at, 0, row)
    return data.getvalue()


def test_a_workbook_through_the_same_layout(tmp_path: Path) -> None:
    layout = WEIGHTS.replace("[file]", '[file]\nsheet = "data"').replace(
        '[columns.quantity]\nfrom = "What"\nmap = { weight = "mass", height = "stature" }',
        '[columns.quantity]\npreamble = "Measures"\nmap = { weight = "mass" }',
    )
    data = workbook(
        [
            ["Hall", "north"],
            ["Measures", "weight"],
            [],
            ["Person", "Day", "Reading", "Unit"],
            ["Ana Prado", datetime(2025, 3, 1), 60.5, "kg"],
            [],
            ["João Sá", datetime(2025, 3, 1), "heavy", "kg"],
            ["Mia Lund", "2025-03-02", 1250.5, "g"],
            ["Mia Lund", "2025-03-02", 61250.5, "g"],
        ]
    )
    told = bench_of(tmp_path, weights=layout).resolve(("scales-1/w.xlsx", data))
    assert told.fates() == {5: "loaded", 6: "skipped", 7: "held", 8: "held", 9: "loaded"}
    assert told.codes() == [(7, "not_a_number"), (8, "out_of_range")]
    rows = told.rows("body_readings").sort("line").select("athlete_id", "value").rows()
    assert rows == [("a01", 60.5), ("a03", 61.2505)]


def test_a_held_line_of_a_workbook_shows_its_cells(tmp_path: Path) -> None:
    hall = Hall(tmp_path, layouts={"weights": WEIGHTS.replace("[file]", '[file]\nsheet = "data"')})
    header = ["Person", "Day", "What", "Reading", "Unit"]
    data = workbook([header, ["Ana Prado", "2025-03-01", "weight", "x", "kg"]])
    hall.take(("scales-1/w.xlsx", data))
    assert "Ana Prado\t2025-03-01\tweight\tx\tkg" in hall.sheet().read_text(encoding="utf-8-sig")


def test_quoted_line_ends_count_as_skipped_lines(tmp_path: Path) -> None:
    layout = RUNS.replace("[file]", "[file]\nmultiline = true")
    data = runs(run(shoes='"two\nlines"'), run(trial=2))
    told = bench_of(tmp_path, runs=layout).resolve(("gates-1/x.csv", data))
    assert told.fates() == {2: "loaded", 3: "skipped", 4: "loaded"}
    assert told.rows().sort("line")["shoes"].to_list() == ["two\nlines", None]


def test_unmapped_columns_are_reported() -> None:
    told = bench.resolve(("gates-1/x.csv", runs(run()).replace("Battery", "Mood")))
    assert told.resolved.tables["files"]["unmapped"].to_list() == ["Mood"]
    assert bench.runs(run()).resolved.tables["files"]["unmapped"].to_list() == [None]


@pytest.mark.mode(22)
def test_a_drop_jump_needs_its_contact_time(tmp_path: Path) -> None:
    layout = """
layout = "jumps"
family = "contact_mat"
device = "mat-1"
[match]
folder = "mat-1"
[columns.athlete]
from = "Name"
[columns.performed_at]
from = "At"
format = "epoch_s"
[columns.test]
from = "Test"
[columns.flight_time_s]
from = "Flight"
unit = "s"
[columns.contact_time_s]
from = "Contact"
unit = "s"
"""
    data = "Name,At,Test,Flight,Contact\n" + "".join(
        f"a01,174082320{at},{line}\n"
        for at, line in enumerate(
            [
                "drop_jump,0.5,0.2",
                "drop_jump,0.5,",
                "squat_jump,0.5,",
                "push_up_flight,0.03,",
                "squat_jump,0.03,",
                "drop_jump,,0.2",
            ]
        )
    )
    told = bench_of(tmp_path, jumps=layout).resolve(("mat-1/x.csv", data))
    assert told.codes() == [(3, "missing_value"), (6, "out_of_range"), (7, "missing_value")]
    assert told.rows("jump_trials").sort("line")["line"].to_list() == [2, 4, 5]
    assert told.rows("jump_trials")["performed_at_utc"].min() == datetime(2025, 3, 1, 10)
    fields = told.resolved.tables["held_rows"].sort("line")["field"].to_list()
    assert fields == ["contact_time_s", "flight_time_s", "flight_time_s"]
    assert told.resolved.tables["held_rows"].sort("line")["value"].to_list() == [None, "0.03", None]


def test_the_same_table_in_pounds_and_kilograms(tmp_path: Path) -> None:
    told = weigh("Ana Prado;2025-03-01;weight;100;lb", "João Sá;2025-03-01;weight;45,359237;kg")
    rows = told.rows("body_readings")["value"].to_list()
    assert rows[0] == rows[1] == 45.359237

"""The commands as people and scripts use them: real processes, their exit status, and what they print."""

from __future__ import annotations

import csv
import json
import subprocess
import sys
from functools import partial
from pathlib import Path

import polars as pl
import pytest

import pipeline.commands
from pipeline.lock import facility_lock
from schemas.families import FAMILIES
from tests.end_to_end.conftest import Made
from tests.end_to_end.runs import ROOT, done, here, process, tables_of
from tests.end_to_end.truth import true_held

SCRIPT = (str(Path(sys.executable).with_name("yardmark")),)


def test_the_script_and_the_module_are_the_same_command():
    """Help, and wrong usage."""
    for by in (SCRIPT, ()):
        helped = process("--help", by=by)
        assert helped.status == 0 and helped.err == ""
        assert all(name in helped.out for name in ("init", "demo", "intake", "sql", "tables"))
        wrong = process("tidy", by=by)
        assert (wrong.status, wrong.out) == (2, "") and "tidy" in wrong.err


def test_init_then_check(tmp_path: Path):
    hall = tmp_path / "a hall"
    made = process("init", hall)
    assert made.status == 0 and str(hall / "config" / "facility.toml") in made.out
    checked = process("check", hall, by=SCRIPT)
    assert checked.status == 0 and "no mistakes; 1 thing(s) to look at" in checked.out
    assert "set both: the time zone decides" in checked.err
    settings = hall / "config" / "facility.toml"
    settings.write_text(settings.read_text("utf-8").replace("My facility", "Quay hall"), encoding="utf-8")
    checked = process("check", hall, by=SCRIPT)
    assert (checked.status, checked.err) == (0, "") and "no mistakes" in checked.out
    again = process("init", hall)
    assert (again.status, again.out) == (2, "") and "already" in again.err
    ran = process("run", ".", "--json", cwd=hall, by=SCRIPT)  # an empty facility is a facility
    assert ran.status == 0 and ran.report["intake"]["new_files"] == 0


def test_check_says_all_mistakes_at_once(tmp_path: Path):
    hall = tmp_path / "hall"
    done("init", hall)
    config = hall / "config"
    settings = (config / "facility.toml").read_text(encoding="utf-8")
    settings = settings.replace('timezone = "UTC"', 'timezone = "Europe/Lisboa"') + "\n[shedule]\n"
    (config / "facility.toml").write_text(settings, encoding="utf-8")
    (config / "athletes.csv").write_text(
        "athlete_id,name,birth_date,sex\na1,Ana,2001-02-30,female\na1,Rui,,\na2,Eva,,elf\n",
        encoding="utf-8",
    )
    broken = '[file]\ndecimal = ";"\n[columns.flight_time_s]\nunit = "yd"\n'
    (config / "layouts" / "mine.toml").write_text(
        f'layout = "mine"\nfamily = "contact_mats"\ndevice = "x"\n[match]\nfolder = "x"\n{broken}',
        encoding="utf-8",
    )
    ended = process("check", hall)
    assert ended.status == 2
    lines = ended.err.splitlines()
    for where, what in (
        ("config/facility.toml", "Europe/Lisbo"),
        ("config/facility.toml", "shedule"),
        ("config/athletes.csv, line 2", "birth_date"),
        ("config/athletes.csv, line 4", "elf"),
        ("config/athletes.csv, line 3", "a1"),
        ("config/layouts/mine.toml", "contact_mat"),
        ("config/layouts/mine.toml", "decimal"),
    ):
        assert any(line.startswith(where) and what in line for line in lines), (where, what, ended.err)
    told = here("check", hall, "--json")
    assert told.status == 2 and told.report["mistakes"] >= 7
    assert {"file", "line", "key", "message"} <= told.report["problems"][0].keys()
    for command in ("run", "refresh", "intake", "held"):
        stopped = here(command, hall)
        assert (stopped.status, stopped.out) == (2, "") and "Europe/Lisbo" in stopped.err


def test_a_folder_that_is_no_facility(tmp_path: Path):
    for command in ("check", "run", "intake", "held", "retry", "refresh", "rebuild", "answers"):
        ended = here(command, tmp_path)
        assert (ended.status, ended.out) == (2, ""), command
        assert "yardmark init" in ended.err
    assert list(tmp_path.iterdir()) == []


def test_json_is_one_object_on_stdout(demo_copy: Path):
    """Every command that reports; and `rebuild` helps where the warehouse is beyond use."""
    for command in ("check", "tables", "held", "intake", "retry", "answers", "run", "rebuild"):
        if command == "rebuild":
            (demo_copy / "warehouse" / "yardmark.duckdb").write_bytes(b"no database")
            broken = here("refresh", demo_copy)
            assert broken.status == 1 and "not a valid DuckDB database" in broken.err
        ended = here(command, demo_copy, "--json")
        assert ended.status == 0, ended.err
        assert isinstance(json.loads(ended.out), dict), command


def test_what_the_reports_say(made_demo: Made):
    demo = made_demo.facility
    held = done("held", demo, "--json").report["held"]
    assert len(held) == true_held(made_demo.truth).height > 40
    assert {"file_id", "line", "code", "field", "value", "reason", "remedy", "state"} <= held[0].keys()
    words = done("tables", demo, "--json").report["columns"]
    assert len(words) > 200 and all(word["meaning"] for word in words)


def test_sql_with_one_argument_and_with_two(demo: Path):
    query = "SELECT count(*) AS n, max(local_date) AS last FROM results"
    two = process("sql", demo, query, "--json", by=SCRIPT)
    one = process("sql", query, "--json", cwd=demo, by=SCRIPT)
    assert two.status == one.status == 0
    assert two.report == one.report and two.report["rows"][0]["n"] > 1000
    table = done("sql", demo, query)
    assert table.out.splitlines()[0].split() == ["n", "last"] and "(1 row)" in table.out
    as_csv = done("sql", demo, query, "--csv").out.splitlines()
    assert as_csv[0] == "n,last" and as_csv[1].endswith(str(two.report["rows"][0]["last"]))


def test_sql_shows_a_populations_norms(demo: Path):
    rows = done(
        "sql",
        demo,
        """SELECT label, metric, n_athletes, p50, unit
           FROM current_norms JOIN populations USING (population_id)
           WHERE p50 IS NOT NULL AND metric = 'jump_height'""",
        "--json",
    ).report["rows"]
    assert rows and all(row["label"].startswith("sex=") and row["n_athletes"] >= 8 for row in rows)


def test_sql_of_types_that_no_published_table_has(demo: Path):
    query = "SELECT 1.0::DOUBLE / 0 AS x, 'nan'::DOUBLE AS y, INTERVAL 3 DAY AS z, [1, 2] AS l, 1.5 AS d"
    [row] = done("sql", demo, query, "--json").report["rows"]
    assert (row["x"], row["y"], row["l"], row["d"]) == (None, None, [1, 2], 1.5)
    assert done("sql", demo, query, "--csv").out.startswith("x,y,z,l,d\n")
    assert "(1 row)" in done("sql", demo, query).out


def test_wrong_queries(demo: Path, tmp_path: Path):
    for query in ("SELEC 1", "SELECT * FROM nowhere", "SELECT p5000 FROM norms", "DROP TABLE norms"):
        ended = here("sql", demo, query, "--json")
        assert (ended.status, ended.out) == (1, "") and ended.err.startswith("yardmark: ")
    assert here("sql", demo, "SELECT 1", "extra").status == 2
    assert here("sql").status == 2
    forgotten = here("sql", demo)
    assert forgotten.status == 2 and "give the query too" in forgotten.err
    two = here("sql", demo, "SELECT 1; SELECT 2")
    assert (two.status, two.out) == (1, "") and "2 statements" in two.err
    nothing = here("sql", tmp_path, "SELECT 1")
    assert nothing.status == 1 and "yardmark run" in nothing.err


def test_wrong_usage(demo: Path, tmp_path: Path):
    for arguments, word in (
        (("alias", demo, "Tó", "a999"), "a999"),
        (("alias", demo, "Tó", "a01", "--device", "mat-9"), "mat-9"),
        (("alias", demo, "Tó", "a01", "--from", "2026-02-30"), "2026-02-30"),
        (("alias", demo, "Tó", "a01", "--from", "2026-02-02", "--until", "2026-02-01"), "before"),
        (("alias", demo, "Tó"), "ATHLETE_ID"),
        (("sheet", "contact_mats", demo), "contact_mat"),
        (("refresh", demo, "--as-of", "yesterday"), "yesterday"),
        (("refresh", demo, "--fast"), "--fast"),
        (("intake", demo, "--dry-run", tmp_path / "none.csv"), "none.csv"),
        (("answers", demo, tmp_path / "none.csv"), "none.csv"),
    ):
        ended = here(*arguments)
        assert (ended.status, ended.out) == (2, ""), arguments
        assert word in ended.err
    done("init", tmp_path / "mine")
    assert here("demo", tmp_path / "mine").status == 2
    assert not (tmp_path / "mine" / "inbox" / "mat-1").exists()


def test_another_run_holds_the_facility(demo_copy: Path, monkeypatch: pytest.MonkeyPatch):
    """The command waits, saying for whom, and then ends with 1; when the other is done, it runs."""
    code = (
        "import sys; from pathlib import Path; from pipeline.lock import facility_lock\n"
        "with facility_lock(Path(sys.argv[1]), 'yardmark rebuild', print):\n"
        "    print('held', flush=True); sys.stdin.read()"
    )
    monkeypatch.setattr(pipeline.commands, "facility_lock", partial(facility_lock, wait_seconds=0.3))
    with subprocess.Popen(
        [sys.executable, "-c", code, str(demo_copy)],
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        cwd=ROOT,
        encoding="utf-8",
    ) as other:
        assert other.stdout is not None and other.stdout.readline() == "held\n"
        ended = here("held", demo_copy, "--json")
        who = f"yardmark rebuild, process {other.pid}"
        assert (ended.status, ended.out) == (1, "")
        assert f"waiting for {who}" in ended.err and f"{who}" in ended.err.splitlines()[-1]
        assert here("sql", demo_copy, "SELECT 1").status == 0  # who only reads waits for nobody
        other.communicate("")
    assert here("held", demo_copy).status == 0


def test_an_alias_releases_the_rows_held_for_it(demo_copy: Path):
    held = done("held", demo_copy, "--json").report["held"]
    unknown = sum(row["code"] == "unknown_name" for row in held)
    ended = done("alias", demo_copy, "Ines Carvalhau", "a10", "--device", "mat-1", "--json")
    assert ended.report["released_lines"] == 5
    assert "unknown_name" in ended.report["open"]  # the stranger of the scales still waits
    done("refresh", demo_copy)
    waiting = done(
        "sql",
        demo_copy,
        "SELECT state, count(*) AS n FROM held_rows WHERE code = 'unknown_name' GROUP BY ALL ORDER BY n",
        "--json",
    )
    assert unknown > 10
    assert waiting.report["rows"] == [{"state": "released", "n": 5}, {"state": "open", "n": unknown - 5}]
    found = done(
        "sql",
        demo_copy,
        "SELECT count(*) AS n FROM jump_trials WHERE athlete_id = 'a10' AND local_date = '2025-10-20'",
        "--json",
    )
    assert found.report["rows"][0]["n"] >= 5


FILLED = {
    "body_measures": {"mass_kg": "70.5", "stature_cm": "180"},
    "contact_mat": {"jump_test": "squat_jump", "hands": "hips", "leg": "both", "flight_time_ms": "512"},
    "timing_gates": {"sprint_test": "linear_sprint", "timing": "hand", "5 m": "1.12", "10 m": "1.85"},
    "skinfold_calipers": {"measurer": "LQ", "triceps 1": "9.6", "triceps 2": "10.0", "calf 1": "8.2"},
    "bar_speed": {
        "lift": "back_squat",
        "side": "both",
        "load_kg": "80",
        "chains_or_bands": "none",
        "intent": "max",
        "set": "1",
        "rep": "1",
        "mean_velocity": "0.61",
        "peak_velocity": "0.98",
    },
    "neck_dynamometer": {
        "posture": "seated, trunk strapped",
        "lever_arm_cm": "14.5",
        "examiner": "TR",
        "flexion N 1": "152",
        "rotation left Nm 2": "9.5",
    },
    "other_tests": {"declared_test": "sit_reach", "result": "21.5", "unit": "cm"},
}
STORED = {
    "body_measures": "SELECT quantity, value FROM body_readings WHERE athlete_id = 'a2' ORDER BY quantity",
    "contact_mat": "SELECT test, flight_time_s FROM jump_trials WHERE athlete_id = 'a2'",
    "timing_gates": "SELECT distance_m, split_time_s, timing FROM sprint_splits ORDER BY 1",
    "skinfold_calipers": """SELECT site, reading, round(thickness_mm, 9) AS mm, measurer
                            FROM skinfold_readings
                            WHERE athlete_id = 'a2' ORDER BY ALL""",
    "bar_speed": "SELECT lift, load_kg, mean_velocity_m_s, peak_velocity_m_s, intent FROM bar_reps",
    "neck_dynamometer": """SELECT direction, trial, peak_force_n, peak_torque_n_m, lever_arm_m
                           FROM neck_trials WHERE athlete_id = 'a2' ORDER BY ALL""",
    "other_tests": "SELECT test, value, unit FROM other_trials WHERE athlete_id = 'a2'",
}
EXPECTED = {
    "body_measures": [("mass", 70.5), ("stature", 1.8)],
    "contact_mat": [("squat_jump", 0.512)],
    "timing_gates": [(5.0, 1.12, "hand"), (10.0, 1.85, "hand")],
    "skinfold_calipers": [("calf", 1, 8.2, "LQ"), ("triceps", 1, 9.6, "LQ"), ("triceps", 2, 10.0, "LQ")],
    "bar_speed": [("back_squat", 80.0, 0.61, 0.98, "max")],
    "neck_dynamometer": [("flexion", 1, 152.0, None, 0.145), ("rotation_left", 2, None, 9.5, 0.145)],
    "other_tests": [("sit_reach", 0.215, "m")],
}
DECLARED = """
[other_tests.sit_reach]
label = "sit and reach"
unit = "cm"
decimals = 1
better = "context"
hard = [-40, 80]
soft = [-20, 50]
source = "our own protocol"
"""


def test_a_sheet_filled_by_hand_and_dropped_is_taken_in(tmp_path: Path):
    """For every family but those with a trace: printed, one line filled in, dropped anywhere in the inbox."""
    assert FILLED.keys() == {family.name for family in FAMILIES.values() if family.trace is None}
    hall = tmp_path / "hall"
    done("init", hall)
    people = 'a1,Ana Torre,1999-01-05,female\na2,"Núñez, José",1998-04-02,male\n'
    (hall / "config" / "athletes.csv").write_text(
        f"athlete_id,name,birth_date,sex\n{people}", encoding="utf-8"
    )
    (hall / "config" / "metrics.toml").write_text(DECLARED, encoding="utf-8")
    settings = (hall / "config" / "facility.toml").read_text(encoding="utf-8")
    settings = settings.replace("settle_seconds = 10", "settle_seconds = 0")
    settings = settings.replace("settle_unfinished_seconds = 60", "settle_unfinished_seconds = 0")
    (hall / "config" / "facility.toml").write_text(settings, encoding="utf-8")
    for family, cells in FILLED.items():
        sheet = pl.read_csv(done("sheet", family, hall).out.encode(), infer_schema=False)
        assert sheet["name"].to_list() == ["Ana Torre", "Núñez, José"]
        mine = pl.col("athlete_id") == "a2"
        filled = sheet.with_columns(
            pl.when(mine).then(pl.lit(text)).otherwise(name).alias(name) for name, text in cells.items()
        )
        (hall / "inbox" / "anywhere").mkdir(parents=True, exist_ok=True)
        filled.write_csv(hall / "inbox" / "anywhere" / f"{family}.csv")
    report = done("run", hall, "--json").report
    assert report["intake"]["open"] == {}
    files = {file["family"]: file for file in report["intake"]["files"]}
    assert {(file["lines"], file["loaded"], file["skipped"]) for file in files.values()} == {(2, 1, 1)}
    for family, query in STORED.items():
        rows = done("sql", hall, query, "--json").report["rows"]
        assert [tuple(row.values()) for row in rows] == EXPECTED[family]


def test_a_reader_that_has_seen_enough_is_no_error(demo: Path):
    """`yardmark sql … | head`: the pipe closes early."""
    with subprocess.Popen(
        [*SCRIPT, "sql", str(demo), "SELECT * FROM measurements", "--csv"],
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        encoding="utf-8",
    ) as ran:
        assert ran.stdout is not None and ran.stderr is not None
        assert ran.stdout.readline().startswith("measurement_id,")
        ran.stdout.close()
        assert ran.stderr.read() == ""
        assert ran.wait() == 0


def test_demo_says_where_to_look(tmp_path: Path, demo: Path):
    """As a process, from a folder of its own: without a name it makes ./demo, and twice changes nothing."""
    first = process("demo", cwd=tmp_path, by=SCRIPT)
    assert first.status == 0
    assert (
        str(Path("demo") / "published" / "coach" / "norms.xlsx") in first.out
        and "yardmark sql demo" in first.out
    )
    today = (tmp_path / "demo" / "published" / "coach" / "today.csv").read_text(encoding="utf-8-sig")
    planned = [row for row in csv.DictReader(today.splitlines()) if row["wanted"]]
    assert len({row["athlete_id"] for row in planned}) >= 15
    before = tables_of(tmp_path / "demo", (".parquet",))
    assert before.keys() == tables_of(demo, (".parquet",)).keys()
    again = process("demo", cwd=tmp_path, by=SCRIPT)
    assert again.status == 0 and "No new exports" in again.out
    after = tables_of(tmp_path / "demo", (".parquet",))
    assert [name for name in before if before[name] != after[name]] == []
    query = next(line.split('"')[1] for line in first.out.splitlines() if "yardmark sql demo" in line)
    assert len(done("sql", tmp_path / "demo", query, "--json").report["rows"]) == 10


def test_a_file_where_a_folder_should_be(tmp_path: Path):
    """1, and one line in plain words."""
    (tmp_path / "file").write_text("", encoding="utf-8")
    for command in ("init", "demo"):
        ended = here(command, tmp_path / "file" / "x")
        assert (ended.status, ended.out) == (1, "") and len(ended.err.splitlines()) == 1

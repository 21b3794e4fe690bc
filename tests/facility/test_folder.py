"""A facility folder as a whole: every kind of mistake at once, each with its file, line and key."""

from __future__ import annotations

import os
import re
from datetime import date, datetime, time, timedelta
from pathlib import Path

import pytest

from pipeline.facility.folder import check_facility, load_facility
from pipeline.facility.init import init_facility
from pipeline.facility.problems import ConfigError
from schemas.families import FAMILIES

LAYOUT = """\
layout = "hall"
family = "timing_gates"
device = "gates-1"
[match]
header = ["Runner"]
[columns.athlete]
from = "Runner"
[columns.performed_at]
from = "Date"
format = "%Y-%m-%d"
[columns.test]
value = "linear_sprint"
[columns.split_time_s]
unit = "s"
unpivot = [ { from = "5 m", distance_m = 5 } ]
"""
JUMPED = (
    "test=squat_jump; leg=both; hands=hips; added_load=0 kg; drop_height=none; method=mat-1; method_version="
)
TOMORROW = date.today() + timedelta(days=2)


def write(folder: Path, **files: str) -> Path:
    """A facility folder; `athletes_csv=...` is config/athletes.csv and so on."""
    (folder / "config" / "layouts").mkdir(parents=True)
    for key, text in files.items():
        stem, _, suffix = key.rpartition("_")
        place = "layouts/" if stem in ("hall", "broken") else ""
        (folder / "config" / f"{place}{stem}.{suffix}").write_text(text, encoding="utf-8")
    return folder


GOOD = {
    "facility_toml": 'name = "Hall"\ntimezone = "Europe/Lisbon"\nsettle_seconds = 0\n'
    '[devices.gates-1]\nfamily = "timing_gates"\n'
    '[devices.mat-1]\nfamily = "contact_mat"\nmethod = "mat"\nsince = 2025-01-01\n'
    "[[devices.mat-1.clock]]\nto = 2025-03-01\noffset_seconds = 3600\n"
    "[[devices.mat-1.clock]]\nfrom = 2025-03-01\nto = 2025-04-01T12:00:00\noffset_seconds = -60\n",
    "athletes_csv": "athlete_id,name,birth_date,sex,aliases\n"
    "a1,Ana B.,2004-02-03,f,Aninha|A. B.\na2,Rui C.,,,\n",
    "athlete_periods_csv": "athlete_id,from,until,squad,status\n"
    "a1,,,U20 | Talent|,\na1,2025-09-01,2025-09-30,,Rehab\n",
    "aliases_csv": "name,athlete_id,device,from,until\nAna,a1,gates-1,,2025-12-31\n",
    "events_csv": "athlete_id,squad,kind,label,from,until\n,U20,Block,Base,2025-09-01,2025-10-31\n",
    "corrections_csv": "made_on,made_by,why,device,file_id,line,athlete_id,date,test,trial,"
    "action,field,value\n"
    "2025-12-02,coach,wrong test,mat-1,,,a1,2025-12-01,countermovement_jump,4,relabel,test,squat_jump\n"
    ",,,,0123456789abcdef,12,,,,,move,,a2\n",
    "equipment_csv": "item,kind,mass_kg,count\nlong bar,bar,20.1,2\n",
    "series_joins_csv": f"metric,label,joined_to\njump_height,{JUMPED}a,{JUMPED}b\n",
    "metrics_toml": "[jump_height]\nsoft = [10, 75]\nsmallest_worthwhile = 1.0\n",
    "hall_toml": LAYOUT,
}


def test_a_right_facility_is_read_whole(tmp_path: Path) -> None:
    folder = write(tmp_path, **GOOD)
    assert check_facility(folder) == []
    facility = load_facility(folder)
    settings = facility.settings
    assert (settings.settle_seconds, settings.settle_unfinished_seconds) == (0, 0)
    assert settings.devices["gates-1"].method == "gates-1" and settings.devices["mat-1"].method == "mat"
    clocks = settings.devices["mat-1"].clock
    assert [(c.from_, c.to, c.offset_seconds) for c in clocks] == [
        (None, datetime(2025, 3, 1), 3600),
        (datetime(2025, 3, 1), datetime(2025, 4, 1, 12), -60),
    ]
    assert (settings.slots, settings.season_start, settings.max_file_mb) == ((time(3),), "09-01", 2000)
    assert facility.athletes.rows() == [
        ("a1", "Ana B.", date(2004, 2, 3), "female", ["Aninha", "A. B."]),
        ("a2", "Rui C.", None, None, []),
    ]
    assert facility.periods.select("squad", "status").rows() == [("U20|Talent", None), (None, "rehab")]
    assert facility.aliases.drop("line").rows() == [("Ana", "a1", "gates-1", None, date(2025, 12, 31))]
    assert facility.events["kind"].to_list() == ["block"]
    assert facility.corrections.select("line", "file_line", "trial", "value").rows() == [
        (2, None, 4, "squat_jump"),
        (3, 12, None, "a2"),
    ]
    assert facility.records.equipment.drop("line").rows() == [("bar", "long bar", 20.1, 2)]
    assert facility.records.series_joins["joined_to"].to_list() == [f"{JUMPED}b"]
    assert facility.metrics.overrides["jump_height"].soft == (10, 75)
    assert list(facility.layouts) == ["hall"] and facility.faulty_layouts == {}
    assert facility.warehouse_file == folder / "warehouse" / "yardmark.duckdb"


def test_every_mistake_of_every_file_at_once(tmp_path: Path) -> None:
    folder = write(
        tmp_path,
        facility_toml=(
            'name = "Hall"\n'
            'timezone = "Europe/Lisbom"\n'
            'unit = "metric"\n'
            "settle_seconds = -1\n"
            'day_start = "3 am"\n'
            'guests = "Guest"\n'
            "[devices.gates-1]\n"
            'family = "timing_gate"\n'
            "[devices.mat-1]\n"
            'famly = "contact_mat"\n'
            'since = "2025-01-01"\n'
            "[[devices.mat-1.clock]]\n"
            "offset_second = 3600\n"
            "[schedule]\n"
            'weekly_day = "mondy"\n'
        ),
        athletes_csv=(
            "athlete_id,name,birth_date,sex,aliases\n"
            f"a1,Ana,{TOMORROW},f,\n"
            "a1,Rui,1900-01-01,boy,\n"
            "a3,,03/04/2004,,\n"
            "a4,Joao Velho,2004-04-05,,\n"
            "a5,João Vélho,2004-04-05,,\n"
        ),
        athlete_periods_csv="athlete_id,from,until,squad,status\na9,2025-02-01,2025-01-31,,fulll\n",
        aliases_csv="alias,athlete_id,device\n,a1,gates-9\n",
        events_csv="athlete_id,kind,from\na1,blok,\n",
        corrections_csv="line,action,field,value\n3,strik,,\n,relabel,tesst,\n",
        metrics_toml="[jump_hight]\nsoft = [1, 2]\n"
        "[jump_height]\nsoft = [9, 5]\n[sprint_time]\nhard = [1]\nlow = 2\n",
        hall_toml=LAYOUT.replace("device", "devise"),
        broken_toml='layout = "broken\n',
    )
    problems = check_facility(folder)
    assert [(p.file.removeprefix("config/"), p.line, p.key) for p in problems] == [
        ("aliases.csv", 2, "alias"),
        ("aliases.csv", 2, "device"),
        ("athlete_periods.csv", 2, "status"),
        ("athlete_periods.csv", 2, "athlete_id"),
        ("athlete_periods.csv", 2, "until"),
        ("athletes.csv", 2, "birth_date"),
        ("athletes.csv", 3, "sex"),
        ("athletes.csv", 3, "birth_date"),
        ("athletes.csv", 3, "athlete_id"),
        ("athletes.csv", 4, "name"),
        ("athletes.csv", 4, "birth_date"),
        ("athletes.csv", 6, "name"),
        ("corrections.csv", 2, "action"),
        ("corrections.csv", 2, "line"),
        ("corrections.csv", 3, "file_id"),
        ("corrections.csv", 3, "field"),
        ("corrections.csv", 3, "value"),
        ("events.csv", 2, "from"),
        ("events.csv", 2, "kind"),
        ("facility.toml", 2, "timezone"),
        ("facility.toml", 3, "unit"),
        ("facility.toml", 4, "settle_seconds"),
        ("facility.toml", 5, "day_start"),
        ("facility.toml", 6, "guests"),
        ("facility.toml", 8, "devices.gates-1.family"),
        ("facility.toml", 10, "devices.mat-1.famly"),
        ("facility.toml", 11, "devices.mat-1.since"),
        ("facility.toml", 13, "devices.mat-1.clock[1].offset_second"),
        ("facility.toml", 15, "schedule.weekly_day"),
        ("layouts/broken.toml", 1, None),
        ("layouts/hall.toml", 3, "devise"),
        ("metrics.toml", 1, "jump_hight"),
        ("metrics.toml", 4, "jump_height.soft"),
        ("metrics.toml", 6, "sprint_time.hard[2]"),
        ("metrics.toml", 7, "sprint_time.low"),
    ]
    nearest = {
        "timezone": "Europe/Lisbon", "unit": "units", "devices.mat-1.famly": "family",
        "devices.gates-1.family": "timing_gates", "devices.mat-1.clock[1].offset_second": "offset_seconds",
        "schedule.weekly_day": "monday", "devise": "device", "jump_hight": "jump_height",
        "status": "full", "action": "strike", "field": "test", "kind": "block",
    }  # fmt: skip
    for key, word in nearest.items():
        assert any(f"'{word}'" in p.message for p in problems if p.key == key), key
    looks = [(p.file, p.line) for p in problems if p.severity == "look"]
    assert looks == [("config/athletes.csv", 6), ("config/events.csv", 2)]
    with pytest.raises(ConfigError) as error:
        load_facility(folder)
    layouts_and_looks = 2 + len(looks)
    assert len(error.value.problems) == len(problems) - layouts_and_looks
    assert "config/facility.toml, line 3, unit: unknown key 'unit'" in str(error.value)


def test_device_of_people_files_must_be_known(tmp_path: Path) -> None:
    folder = write(tmp_path, **GOOD | {"aliases_csv": "alias,athlete_id,device\nAna,a1,gates1\n"})
    (problem,) = check_facility(folder)
    assert (problem.line, problem.key) == (2, "device") and "'gates-1'" in problem.message


@pytest.mark.parametrize(
    ("row", "key", "word"),
    [
        ("a1,strike,,", None, ""),
        ("a1,relabel,,squat_jump", None, ""),
        ("a1,relabel,mark,warm_up", None, ""),
        ("a1,supply,start_offset_m,0.5", None, ""),
        ("a1,supply,start_offset_m,half", "value", "decimal point"),
        ("a1,supply,,0.5", "field", "no column"),
        ("a1,relabel,test,squat_jmp", "value", "'squat_jump'"),
        ("a1,move,,a7", "value", "'a1'"),
        ("a1,move,,", "value", "whose rows"),
        ("a7,strike,,", "athlete_id", "'a1'"),
        (",strike,,", "file_id", "which rows"),
    ],
)
def test_corrections_that_could_not_be_carried_out(tmp_path: Path, row: str, key: str, word: str) -> None:
    folder = write(tmp_path, **GOOD | {"corrections_csv": f"athlete_id,action,field,value\n{row}\n"})
    problems = check_facility(folder)
    assert [(p.line, p.key) for p in problems] == ([(2, key)] if key else [])
    assert all(word in p.message for p in problems)


@pytest.mark.parametrize(
    ("rows", "word"),
    [
        ("jump_height,test=squat_jump; method=a,{0}b", "is no series of jump_height"),
        ("jump_height,{0}a,no label", "is no series of jump_height"),
        ("body_mass,{0}a,{0}b", "all its values are one series"),
        ("jump_height,{0}a,{0}b\njump_height,{0}a,{0}c", "is joined to two series"),
        ("jump_height,{0}a,{0}b\njump_height,{0}b,{0}a", "is joined to itself in the end"),
    ],
)
def test_joins_that_could_not_be_made(tmp_path: Path, rows: str, word: str) -> None:
    joins = "metric,label,joined_to\n" + rows.format(JUMPED)
    folder = write(tmp_path, **GOOD | {"series_joins_csv": joins})
    assert word in " ".join(problem.message for problem in check_facility(folder))


def test_a_faulty_layout_does_not_stop_the_facility(tmp_path: Path) -> None:
    broken = LAYOUT.replace("hall", "broken").replace("gates-1", "mat-1")
    folder = write(tmp_path, **GOOD | {"broken_toml": broken})
    facility = load_facility(folder)
    assert list(facility.layouts) == ["hall"]
    assert [p.key for p in facility.faulty_layouts["broken"]] == ["device"]
    assert check_facility(folder) == facility.faulty_layouts["broken"]


def test_an_unreadable_roster_is_one_problem(tmp_path: Path) -> None:
    folder = write(tmp_path, **GOOD | {"athletes_csv": "who,what\na1,Ana\n"})
    (problem,) = check_facility(folder)
    assert problem.file == "config/athletes.csv" and "athlete_id, name" in problem.message


def test_toml_that_is_none(tmp_path: Path) -> None:
    folder = write(tmp_path, facility_toml='name = "x"\ntimezone = \n')
    (problem,) = check_facility(folder)
    assert problem.line == 2 and "not valid TOML" in problem.message
    (folder / "config" / "facility.toml").write_bytes(b'name = "x"\ntimezone = "\xff"\n')
    (problem,) = check_facility(folder)
    assert problem.line == 2 and "UTF-8" in problem.message


def test_new_people_are_on_the_roster_and_the_sheet_counts_first(tmp_path: Path) -> None:
    new = "athlete_id,name,birth_date,sex,aliases\na2,Rui Other,,,\nn1,Eva,,,\n"
    folder = write(tmp_path, **GOOD | {"new_people_csv": new})
    (look,) = check_facility(folder)
    assert (look.file, look.line, look.severity) == ("config/new_people.csv", 2, "look")
    assert load_facility(folder).athletes["name"].to_list() == ["Ana B.", "Rui C.", "Eva"]


def test_guest_on_the_roster_is_a_look(tmp_path: Path) -> None:
    guests = GOOD["facility_toml"].replace("settle", 'guests = ["Ana B.", "Someone"]\nsettle', 1)
    folder = write(tmp_path, **GOOD | {"facility_toml": guests})
    (look,) = check_facility(folder)
    assert (look.key, look.severity) == ("guests", "look") and "Ana B." in look.message


def test_whoever_asked_for_body_composition_is_on_the_roster(tmp_path: Path) -> None:
    asked = GOOD["facility_toml"] + '\n[body_composition]\nathletes = ["a1", "a99"]\nfat = "brozek"\n'
    folder = write(tmp_path, **GOOD | {"facility_toml": asked})
    (look,) = check_facility(folder)
    assert (look.key, look.severity) == ("body_composition.athletes", "look") and "a99" in look.message
    assert load_facility(folder).settings.body_composition.equation == "seven_sites"


def test_limits_of_time_in_settings(tmp_path: Path) -> None:
    text = GOOD["facility_toml"].replace("from = 2025-03-01", "from = 2025-02-01")
    text += '[devices.x]\nfamily = "contact_mat"\nseason = 1\n'
    text += "clock = [ { from = 2025-02-01, to = 2025-01-01, offset_seconds = 1 } ]\n"
    text = text.replace(
        'name = "Hall"', 'name = "Hall"\nslots = []\nseason_start = "02-30"\nmax_file_mb = 2.5'
    )
    problems = check_facility(write(tmp_path, **GOOD | {"facility_toml": text}))
    assert [p.key for p in problems] == [
        "slots", "season_start", "max_file_mb", "devices.mat-1.clock", "devices.x.season",
        "devices.x.clock[1]",
    ]  # fmt: skip


def test_a_folder_that_is_no_facility(tmp_path: Path) -> None:
    for read in (load_facility, check_facility):
        with pytest.raises(ConfigError, match="yardmark init"):
            read(tmp_path)


def test_init_makes_a_facility_without_mistakes(tmp_path: Path) -> None:
    folder = tmp_path / "new" / "hall"
    init_facility(folder)
    assert check_facility(folder) == []
    facility = load_facility(folder)
    assert facility.athletes.height == facility.corrections.height == 0
    assert (facility.settings.settle_seconds, facility.settings.settle_unfinished_seconds) == (10, 60)
    for place in (facility.inbox, facility.archive, facility.held, facility.published, facility.config):
        assert place.is_dir()
    assert facility.warehouse_file.parent.is_dir()
    assert not (folder / "config" / "demo").exists()
    if os.name == "posix":
        assert (facility.config / "athletes.csv").stat().st_mode & 0o077 == 0
    (facility.config / "athletes.csv").write_text("athlete_id,name\na1,Ana\n", encoding="utf-8")
    with pytest.raises(ConfigError, match="already"):
        init_facility(folder)
    assert load_facility(folder).athletes.height == 1


def test_the_template_uncommented_is_right_too(tmp_path: Path) -> None:
    init_facility(tmp_path)
    for name in ("facility.toml", "metrics.toml"):
        path = tmp_path / "config" / name
        text = re.sub(r"(?m)^# (\[|\w+ = )", r"\1", path.read_text(encoding="utf-8"))
        path.write_text(text.replace("C:/yardmark-state", "state"), encoding="utf-8")
    assert check_facility(tmp_path) == []
    facility = load_facility(tmp_path)
    sheets = {f"sheet-{family}" for family in FAMILIES}
    assert set(facility.settings.devices) - sheets == {"gates-1"}
    assert len(facility.settings.devices["gates-1"].clock) == 1
    assert facility.settings.labels.position == {"stroke": "Stroke seat"}
    assert facility.warehouse_file == tmp_path / "state" / "warehouse" / "yardmark.duckdb"
    assert facility.metrics.overrides["jump_height"].typical_error_session == 5.0
    assert facility.tests == {"broad_jump": "cm", "back_squat_max": "kg"}

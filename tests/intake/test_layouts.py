"""Layouts: the example of the template's page, and every kind of mistake with its key and line."""

from __future__ import annotations

import re
from datetime import date
from pathlib import Path

import pytest

from pipeline.facility.packaged import data_folder
from pipeline.facility.problems import Problem
from pipeline.intake.layouts import Layout, read_layout

FAMILIES = {"gates-1": "timing_gates", "mat-1": "contact_mat", "scales-1": "body_measures"}
PAGE = (data_folder("config") / "layouts" / "README.md").read_text(encoding="utf-8")
EXAMPLE = next(block for block in re.findall(r"```toml\n(.*?)```", PAGE, re.DOTALL) if "[match]" in block)


def read(folder: Path, text: str, name: str = "hall-gates") -> tuple[Layout | None, list[Problem]]:
    path = folder / f"{name}.toml"
    path.write_text(text, encoding="utf-8")
    return read_layout(path, FAMILIES)


def test_the_example_of_the_page(tmp_path: Path) -> None:
    layout, problems = read(tmp_path, EXAMPLE)
    assert problems == [] and layout is not None
    assert layout.mapped_names == ("Runner", "Date", "Time", "Programme", "Run", "5 m", "10 m")
    assert layout.header_names == ("Runner", "Date", "10 m")
    assert (layout.file.delimiter, layout.file.decimal, layout.file.thousands) == (";", ",", "")
    assert layout.unpivoted == ("split_time_s",)
    assert [entry.constants for entry in layout.columns["split_time_s"].unpivot or ()] == [
        {"distance_m": 5},
        {"distance_m": 10},
    ]
    offsets = layout.columns["start_offset_m"].value or ()
    assert [(v.from_, v.until, v.is_) for v in offsets] == [
        (None, date(2026, 3, 1), 0.5),
        (date(2026, 3, 1), None, 0.3),
    ]
    assert layout.columns["athlete"].from_ == ("Runner",)


PERFORMED_AT = "columns.performed_at"
SPLIT = "columns.split_time_s.unpivot"

# What is changed in the example, the key that is named, and a word of the message.
ONE_MISTAKE = [
    ('layout = "hall-gates"', 'layout = "gates"', "layout", "'hall-gates'"),
    ('family = "timing_gates"', 'family = "timing_gate"', "family", "'timing_gates'"),
    ('device = "gates-1"', 'device = "gate-1"', "device", "'gates-1'"),
    ('device = "gates-1"', 'device = "mat-1"', "device", "contact_mat"),
    ('ignore = ["Battery"]', 'ignore = ["Battery", "Run"]', "ignore[2]", "both"),
    ('ignore = ["Battery"]', 'ingore = ["Battery"]', "ingore", "'ignore'"),
    ('folder = "gates"', 'folder = "../gates"', "match.folder", "below inbox"),
    ('folder = "gates"', 'folder = "/gates"', "match.folder", "below inbox"),
    ('folder = "gates"', 'folder = "C:/gates"', "match.folder", "below inbox"),
    ('filename = "*.csv"', 'filname = "*.csv"', "match.filname", "'filename'"),
    ('encoding = "utf-8" ', 'encoding = "utf8" ', "file.encoding", "cp1252"),
    ('delimiter = ";"', 'delimiter = "; "', "file.delimiter", "one character"),
    ('decimal = ","', 'decimal = ","\nthousands = ","', "file.thousands", "differ"),
    ('decimal = ","', 'decimal = ","\nthousands = "00"', "file.thousands", "one mark"),
    ('null = ["", "-", "n/a"]', 'null = "-"', "file.null", "a list"),
    ('from = "Runner"', 'form = "Runner"', "columns.athlete.form", "'from'"),
    ('from = "Runner"', "from = []", "columns.athlete.from", "at least one"),
    ('from = "Runner"', 'from = "Runner"\nvalue = "x"', "columns.athlete", "from and value"),
    ('from = "Runner"', "", "columns.athlete", "none is given"),
    ('from = "Runner"', 'from = "Runner"\nunit = "s"', "columns.athlete.unit", "no unit"),
    ('from = "Runner"', 'from = "Runner"\nformat = "%Y"', "columns.athlete.format", "only performed_at"),
    ("[columns.athlete] ", "[columns.athlet] ", "columns.athlet", "'athlete'"),
    ('format = "%d.%m.%Y %H:%M:%S"', 'format = "%d.%m.%Y %T"', "columns.performed_at.format", "%T"),
    ('format = "%d.%m.%Y %H:%M:%S"', "", "columns.performed_at", "needs format"),
    ('format = "%d', 'timezone = "Europe/Lisbn"\nformat = "%d', PERFORMED_AT + ".timezone", "Europe/Lisbon"),
    ('"change_of_direction"', '"change_of_directions"', "columns.test.map.COD", "'change_of_direction'"),
    ('from = "Run"\n', 'from = "Run"\nunit = "s"\n', "columns.trial.unit", "no unit"),
    ("until = 2026-03-01", "until = 2026-03-02", "columns.start_offset_m.value", "exclusive"),
    ("is = 0.3", 'is = "0.3"', "columns.start_offset_m.value[2].is", "number"),
    ("is = 0.3", "is = true", "columns.start_offset_m.value[2].is", "text in quotes or a number"),
    ("{ until = 2026", "{ untill = 2026", "columns.start_offset_m.value[1].untill", "'until'"),
    ('unit = "m"\n', 'unit = "kg"\n', "columns.start_offset_m.unit", "cannot be turned into m"),
    ('unit = "m"\n', 'unit = "meter"\n', "columns.start_offset_m.unit", "no known unit"),
    ('unit = "m"\n', "", "columns.start_offset_m", "in which unit"),
    ('unit = "m"\n', 'unit = "m"\nunit_from = "U"\n', "columns.start_offset_m.unit_from", "not both"),
    ("[columns.wind_m_s]", "[columns.wind_ms]", "columns.wind_ms", "'wind_m_s'"),
    ("(?P<surface>[a-z]+)", "(?P<surface>[a-z]+", "columns.surface.filename", "no regular expression"),
    ("(?P<surface>[a-z]+)", "(?P<place>[a-z]+)(x)", "columns.surface.filename", "(?P<surface>"),
    ('"5 m", distance_m = 5', '"5 m", distanc_m = 5', SPLIT + "[1].distanc_m", "'distance_m'"),
    ('"5 m", distance_m = 5', '"5 m", distance_m = "5"', SPLIT + "[1].distance_m", "a number"),
    ('"5 m", distance_m = 5', '"5 m", distance_m = 5, unit = "m"', SPLIT + "[1].unit", "into s"),
    ('"5 m", distance_m = 5', '"5 m", distance_m = 5, trial = 1', SPLIT + "[1].trial", "also"),
    ('"5 m", distance_m = 5', '"5 m", distance_m = 5, side = "l"', SPLIT + "[1].side", "'left'"),
    ('"5 m", distance_m = 5', '"5 m", distance_m = 5, hop = 1.5', SPLIT + "[1].hop", "no column"),
]  # fmt: skip


@pytest.mark.parametrize(("old", "new", "key", "word"), ONE_MISTAKE)
def test_one_mistake_is_one_problem_with_its_key_and_line(
    tmp_path: Path, old: str, new: str, key: str, word: str
) -> None:
    assert old in EXAMPLE
    layout, problems = read(tmp_path, EXAMPLE.replace(old, new, 1))
    assert layout is None
    (problem,) = problems
    assert problem.key == key and word in problem.message
    changed_on = EXAMPLE[: EXAMPLE.index(old)].count("\n") + 1
    header_above = EXAMPLE[: EXAMPLE.index(old)].rfind("\n[")
    header_on = EXAMPLE[: header_above + 1].count("\n") + 1
    assert problem.line in range(changed_on, changed_on + new.count("\n") + 1) or (
        problem.line == header_on and key.count(".") == 1
    )


def test_all_mistakes_of_a_layout_at_once(tmp_path: Path) -> None:
    text = EXAMPLE
    for old, new in (
        ('ignore = ["Battery"]', "ignore = 5"),
        ('device = "gates-1"', 'device = "gates-7"'),
        ('from = "Runner"', 'form = "Runner"'),
        ('unit = "m/s"', 'unit = "kg"'),
        ("is = 0.3", "was = 0.3"),
        ('from = "5 m"', 'fro = "5 m"'),
        ('from = "10 m", distance_m', 'from = "10 m", distanc_m'),
        ("(?P<surface>[a-z]+)", "(?P<surface>[a-z]+"),
    ):
        assert old in text
        text = text.replace(old, new, 1)
    _, problems = read(tmp_path, text)
    assert {p.key for p in problems} == {
        "ignore", "device", "columns.athlete.form", "columns.wind_m_s.unit",
        "columns.start_offset_m.value[2].is", "columns.start_offset_m.value[2].was",
        "columns.split_time_s.unpivot[1].from", "columns.split_time_s.unpivot[1].fro",
        "columns.split_time_s.unpivot[2].distanc_m", "columns.surface.filename",
    }  # fmt: skip


def test_what_is_needed_and_not_mapped(tmp_path: Path) -> None:
    text = 'layout = "hall-gates"\nfamily = "timing_gates"\ndevice = "gates-1"\n[match]\n'
    text += '[columns.trial]\nfrom = "Run"\n'
    layout, problems = read(tmp_path, text)
    assert layout is None
    assert {p.key for p in problems} == {
        "match", "columns.athlete", "columns.performed_at", "columns.test", "columns.distance_m",
        "columns.split_time_s",
    }  # fmt: skip
    assert {p.line for p in problems} == {4, 5}


def test_a_missing_constant_in_one_entry_is_a_missing_column(tmp_path: Path) -> None:
    layout, problems = read(tmp_path, EXAMPLE.replace(", distance_m = 10", ""))
    assert layout is None
    assert [p.key for p in problems] == ["columns.distance_m"]


BODY = """\
layout = "scales"
family = "body_measures"
device = "scales-1"
[match]
folder = "scales"
[columns.athlete]
from = ["First", "Last"]
[columns.performed_at]
from = "When"
format = "epoch_s"
"""


def test_readings_in_two_units(tmp_path: Path) -> None:
    text = BODY + (
        "[columns.value]\n"
        'unpivot = [ { from = "Height", quantity = "stature", unit = "ft_in" }, '
        '{ from = "Weight", quantity = "mass", unit = "lb" } ]\n'
    )
    layout, problems = read(tmp_path, text, "scales")
    assert problems == [] and layout is not None
    assert layout.header_names == ("First", "Last", "When", "Height", "Weight")
    _, problems = read(tmp_path, text.replace("ft_in", "s").replace(', unit = "lb"', ""), "scales")
    assert [p.key for p in problems] == ["columns.value.unpivot[1].unit", "columns.value"]


def test_unit_from_a_column(tmp_path: Path) -> None:
    text = BODY + '[columns.value]\nfrom = "Value"\nunit_from = "Unit"\n'
    text += '[columns.quantity]\nfrom = "What"\nmap = { W = "mass" }\n'
    layout, problems = read(tmp_path, text, "scales")
    assert problems == [] and layout is not None
    assert layout.mapped_names == ("First", "Last", "When", "Value", "Unit", "What")


def test_numbers_in_a_map_are_texts(tmp_path: Path) -> None:
    text = EXAMPLE.replace('from = "Run"\n', 'from = "Run"\nmap = { A = 1, B = 2 }\n')
    layout, problems = read(tmp_path, text)
    assert problems == [] and layout is not None
    assert layout.columns["trial"].map == {"A": "1", "B": "2"}


def test_without_readable_settings_the_device_is_not_looked_up(tmp_path: Path) -> None:
    path = tmp_path / "hall-gates.toml"
    path.write_text(EXAMPLE.replace("gates-1", "other"), encoding="utf-8")
    layout, problems = read_layout(path, None)
    assert problems == [] and layout is not None and layout.device == "other"


def test_of_several_values_one_must_be_mapped(tmp_path: Path) -> None:
    text = BODY.replace("body_measures", "bar_speed").replace("scales", "racks")
    text += '[columns.lift]\nvalue = "squat"\n[columns.load_kg]\nfrom = "Load"\nunit = "lb"\n'
    _, problems = read(tmp_path, text, "racks")
    assert [p.key for p in problems if "needs one of" in p.message] == ["columns.mean_velocity_m_s"]
    text += '[columns.peak_velocity_m_s]\nfrom = "Peak"\nunit = "km/h"\n'
    _, problems = read(tmp_path, text, "racks")
    assert not any("needs one of" in p.message for p in problems)


@pytest.mark.parametrize("unit", ["ft_in", "clock", "kgf", "lb", "%", "N.m"])
def test_other_tests_take_every_unit(tmp_path: Path, unit: str) -> None:
    text = BODY.replace("body_measures", "other_tests").replace('device = "scales-1"', 'device = "notes"')
    text += f'[columns.test]\nvalue = "some_test"\n[columns.value]\nfrom = "R"\nunit = "{unit}"\n'
    path = tmp_path / "scales.toml"
    path.write_text(text, encoding="utf-8")
    layout, problems = read_layout(path, None)
    assert problems == [] and layout is not None
    path.write_text(text.replace(f'unit = "{unit}"', 'unit = "stone"'), encoding="utf-8")
    assert [p.key for p in read_layout(path, None)[1]] == ["columns.value.unit"]

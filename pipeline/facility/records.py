"""What the facility writes down beside people: corrections of rows, equipment, joined series."""

from __future__ import annotations

import re
from collections.abc import Collection, Iterator
from dataclasses import dataclass
from pathlib import Path

import polars as pl

from pipeline.facility.catalogue import OWN_KEYS, joined_at_last
from pipeline.facility.people import unknown_devices, unknown_ids
from pipeline.facility.problems import Problem, nearest_known
from pipeline.facility.sheets import Column, read_sheet
from pipeline.facility.testing_days import read_testing_days
from schemas.catalogue import CATALOGUE, keys_of_label
from schemas.core import NUMERIC
from schemas.families import FAMILIES
from schemas.fields import FIELDS

CORRECTIONS_FILE = "config/corrections.csv"
EQUIPMENT_FILE = "config/equipment.csv"
LMS_FILE = "config/lms_tables.csv"
JOINS_FILE = "config/series_joins.csv"

_CORRECTIONS = (
    Column("made_on", "date"),
    Column("made_by"),
    Column("why"),
    Column("device"),
    Column("file_id"),
    Column("line", "integer", "file_line"),
    Column("athlete_id"),
    Column("date", "date"),
    Column("test"),
    Column("trial", "integer"),
    Column("action", filled=True, words={word: word for word in ("strike", "move", "relabel", "supply")}),
    Column("field"),
    Column("value"),
)
_EQUIPMENT = (
    Column("kind", filled=True),
    Column("label", also=("item",)),
    Column("mass_kg", "number"),
    Column("count", "integer"),
)
_JOINS = (
    Column("made_on", "date"),
    Column("made_by"),
    Column("why"),
    Column("metric", filled=True),
    Column("label", filled=True),
    Column("joined_to", filled=True),
)
_LMS = (
    Column("source", filled=True),
    Column("metric", filled=True),
    Column("sex", filled=True, words={"female": "female", "male": "male"}),
    Column("age_years", "number", filled=True),
    Column("l", "number", filled=True),
    Column("m", "number", filled=True),
    Column("s", "number", filled=True),
)


def _join_problems(joins: pl.DataFrame) -> Iterator[tuple[int, str, str]]:
    """Line, column and text of what is wrong with joins of known metrics."""
    rows = joins.drop_nulls(["metric", "label", "joined_to"]).select("line", "metric", "label", "joined_to")
    for line, metric, label, target in rows.iter_rows():
        keys = CATALOGUE[metric].series_keys if metric in CATALOGUE else OWN_KEYS
        for column, text in (("label", label), ("joined_to", target)):
            if keys_of_label(text, keys) is None:
                like = "; ".join(f"{key}=..." for key in keys) or "nothing: all its values are one series"
                yield line, column, f"{text!r} is no series of {metric}; copy the label from `series`: {like}"
        targets = dict(rows.filter(pl.col("metric") == metric).select("label", "joined_to").iter_rows())
        if targets[label] != target:
            yield line, "label", f"{label!r} is joined to two series; take one line out"
        elif joined_at_last(label, targets) == label:
            yield line, "joined_to", f"{label!r} is joined to itself in the end; take a line out"


@dataclass(frozen=True)
class Records:
    """Frames with the `line` in their file.

    `corrections`: made_on, made_by, why, device, file_id, file_line (the CSV's `line`: in the export),
    athlete_id, date, test, trial, action, field, value (text). `equipment`: kind, label, mass_kg, count.
    `series_joins`: made_on, made_by, why, metric, label, joined_to (labels of series of that metric).
    `testing_days`: see `testing_days.read_testing_days`.
    `lms_tables`: published curves over age: source (a citation), metric, sex, age_years, l, m, s.
    """

    corrections: pl.DataFrame
    equipment: pl.DataFrame
    series_joins: pl.DataFrame
    testing_days: pl.DataFrame
    lms_tables: pl.DataFrame


def read_records(
    folder: Path, ids: Collection[str] | None, devices: Collection[str] | None, tests: Collection[str]
) -> tuple[Records, list[Problem]]:
    """These files of a facility folder, and all that is wrong with them. Absent files have no rows.

    `tests`: metrics that the facility has declared itself.
    """
    corrections, problems = read_sheet(folder, CORRECTIONS_FILE, _CORRECTIONS)
    problems += unknown_ids(corrections, CORRECTIONS_FILE, ids)
    problems += unknown_devices(corrections, CORRECTIONS_FILE, devices)
    for row in corrections.iter_rows(named=True):
        problems += [Problem(CORRECTIONS_FILE, row["line"], key, text) for key, text in _correction(row, ids)]
    equipment, found = read_sheet(folder, EQUIPMENT_FILE, _EQUIPMENT)
    problems += found
    joins, found = read_sheet(folder, JOINS_FILE, _JOINS)
    problems += found
    metrics = [*CATALOGUE, *tests]
    unknown = joins.filter(~pl.col("metric").is_in(metrics)).select("line", "metric")
    problems += [
        Problem(JOINS_FILE, line, "metric", f"{metric!r} is no metric; {nearest_known(metric, metrics)}")
        for line, metric in unknown.iter_rows()
    ]
    problems += [
        Problem(JOINS_FILE, *problem)
        for problem in _join_problems(joins.filter(pl.col("metric").is_in(metrics)))
    ]
    curves, found = read_sheet(folder, LMS_FILE, _LMS)
    problems += found + _curve_problems(curves, metrics)
    days, found = read_testing_days(folder, ids, tests)
    problems += found
    return Records(corrections, equipment, joins, days, curves.drop_nulls()), problems


def _curve_problems(curves: pl.DataFrame, metrics: Collection[str]) -> list[Problem]:
    """What is wrong with published curves: unknown metrics, M or S not above 0, the same age twice."""
    problems = []
    point = ["source", "metric", "sex", "age_years"]
    for row in curves.with_columns(twice=pl.struct(point).is_duplicated()).iter_rows(named=True):
        said = {}
        if row["metric"] is not None and row["metric"] not in metrics:
            said["metric"] = f"{row['metric']!r} is no metric; {nearest_known(row['metric'], metrics)}"
        said |= {k: f"{row[k]:g} must be above 0" for k in ("m", "s") if row[k] is not None and row[k] <= 0}
        if row["twice"]:
            said["age_years"] = "this source has this metric, sex and age on another line too"
        problems += [Problem(LMS_FILE, row["line"], key, text) for key, text in said.items()]
    return problems


def _correction(row: dict[str, object], ids: Collection[str] | None) -> Iterator[tuple[str, str]]:
    """What a correction lacks to be carried out: which rows it meets, and what is to become of them."""
    action, field, value = row["action"], row["field"], row["value"]
    if row["file_id"] is None and row["file_line"] is not None:
        yield "line", "a line alone says nothing; give the file_id too"
    elif row["file_id"] is None and row["athlete_id"] is None:
        yield "file_id", "say which rows are meant: give a file_id (with a line), or an athlete_id and a date"
    if row["file_id"] is not None and not re.fullmatch("[0-9a-f]{16}([0-9a-f]{48})?", str(row["file_id"])):
        yield "file_id", f"{row['file_id']!r} is no file_id, which has 16 or 64 of 0-9 and a-f (a text cell)"
    if action == "move" and value is None:
        yield "value", "move needs the athlete_id of the one whose rows these are"
    elif action == "move" and ids is not None and value not in ids:
        yield "value", f"{value!r} is not on the roster; {nearest_known(str(value), ids)}"
    if action in ("relabel", "supply"):
        # Left out, a relabel is of the test.
        yield from _new_value(str(field or ("test" if action == "relabel" else "")), value)


def _new_value(name: str, value: object) -> Iterator[tuple[str, str]]:
    """What is wrong with the field that a correction writes, or with the value for it."""
    fields = [field for family in FAMILIES.values() for field in family.columns if field.name == name]
    fields += [FIELDS["mark"]] if name == "mark" else []
    if not fields:
        known = sorted({"mark", *(field.name for family in FAMILIES.values() for field in family.columns)})
        yield "field", f"{name!r} is no column of a trial table; {nearest_known(name, known)}"
    if value is None:
        yield "value", "give the value to write"
    elif any(field.type in NUMERIC for field in fields):
        try:
            float(str(value))
        except ValueError:
            yield "value", f"{value!r} must be a number with a decimal point, in the unit of {name}"
    else:
        words = {word for field in fields for word in field.values}
        if words and value not in words:
            yield "value", f"{value!r} is no word for {name}; {nearest_known(str(value), sorted(words))}"

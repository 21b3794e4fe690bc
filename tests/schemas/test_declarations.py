"""The declarations are complete: meanings, units, limits with their source, codes with what helps."""

from __future__ import annotations

import re
import tomllib
from importlib import resources

import pytest
from pydantic import ValidationError

from pipeline.reading.units import UNITS, is_told_by_row
from schemas.catalogue import CATALOGUE, SERIES_KEYS, Metric
from schemas.codes import CODES, EXCLUDING
from schemas.core import NUMERIC, Field
from schemas.families import FAMILIES
from schemas.fields import FIELDS, OWN_UNIT
from schemas.internal import INTERNAL
from schemas.tables import TABLES, columns_of

# Units of fields that no export is written in.
MORE_UNITS = {"count", "years", "days", OWN_UNIT, "UTC", "local"}
# Units of metrics that are made, not read: parts of them are units of the list, or of these.
PARTS = re.compile(r"[/·*(]+")
MADE_OF = {"mL"}
RAW = [(family.name, field) for family in FAMILIES.values() for field in family.columns]
ALL_FIELDS: list[Field] = [
    *FIELDS.values(),
    *(field for family in FAMILIES.values() for field in family.columns),
    *(field for _, fields in INTERNAL.values() for field in fields),
]


def known(unit: str) -> bool:
    several = all(one in UNITS or one in MORE_UNITS for one in unit.split(" or "))
    return several or unit == "any" or unit in MORE_UNITS


@pytest.mark.parametrize("field", ALL_FIELDS, ids=lambda field: field.name)
def test_a_field_says_what_it_means(field: Field):
    assert len(field.meaning) >= 4 and field.meaning.endswith((".", "?"))
    assert re.fullmatch(r"_?[a-z][a-z0-9_]*", field.name)
    assert (field.unit is not None) == (field.type in NUMERIC or field.unit in ("UTC", "local"))
    assert field.unit is None or known(field.unit)
    assert (field.low is None) == (field.high is None)
    assert not field.values or field.type == "text"
    if field.low is not None and field.high is not None:
        assert field.low < field.high and field.type in NUMERIC
    if field.by is not None:
        assert field.limits_by and all(low < high for _, low, high in field.limits_by)


@pytest.mark.parametrize(("family", "field"), RAW, ids=lambda one: getattr(one, "name", one))
def test_a_raw_quantity_has_limits_and_their_source(family: str, field: Field):
    if field.type not in NUMERIC or field.is_witness:  # what a device computes holds no line
        assert field.low is None
        return
    assert field.limits_from or field.unit == "count"
    if field.unit == "any":  # a unit beside each value: one pair of limits would mean nothing
        assert is_told_by_row(field.unit) and field.low is None
        told = FAMILIES[family].field("unit")
        assert told.type == "text" and "metrics.toml" in str(field.limits_from)
        return
    assert field.low is not None and field.high is not None
    if field.by is not None:
        words = FAMILIES[family].field(field.by).values
        assert {word for word, _, _ in field.limits_by} <= set(words)


@pytest.mark.parametrize("family", FAMILIES.values(), ids=lambda family: family.name)
def test_a_family_names_columns_that_it_has(family):
    names = {field.name for field in family.columns}
    assert len(names) == len(family.columns)
    for part in (family.required, family.natural_key, family.trial_key, family.values, (family.numbered,)):
        assert set(part) <= names
    assert set(family.trial_key) <= set(family.natural_key)
    assert family.numbered in family.natural_key
    assert family.row_is
    if family.trace is None:
        assert 0 < family.share < 1
    else:  # samples near zero differ by any share
        assert family.share == float("inf")
        assert set(family.trace.columns) <= names
        assert not {field.name for field in family.trace.adds} & names


@pytest.mark.parametrize("table", TABLES.values(), ids=lambda table: table.name)
def test_every_column_of_a_table_is_a_declared_field(table):
    columns = columns_of(table)
    assert len(columns) == len(table.fields) and table.row_is
    assert all(field.comment and field.name == name for name, field in columns.items())
    assert table.key and set(table.key) <= set(columns)
    assert table.required <= set(columns)


def test_the_tables_of_the_contract_are_there():
    """Those that this issue's steps fill (contract, "Published tables")."""
    asked = {
        "files", "held_rows", "athletes", "athlete_periods", "sessions", "session_squads", "jump_trials",
        "sprint_splits", "body_readings", "superseded_rows", "metrics", "series", "flag_codes",
        "measurements", "measurement_inputs", "profiles", "profile_values",
        "results", "populations", "norms", "norm_percentiles", "events",
        "reliability", "trends", "changes", "squad_changes", "personal_bests",
    }  # fmt: skip
    assert asked <= {table.name for table in TABLES.values() if table.published and not table.restricted}
    as_csv = {
        "results",
        "changes",
        "norms",
        "norm_percentiles",
        "against_group",
        "files",
        "held_rows",
        "metrics",
        "series",
        "flag_codes",
    }
    assert {table.name for table in TABLES.values() if table.as_csv} == as_csv


@pytest.mark.parametrize("code", CODES.values(), ids=lambda code: code.code)
def test_a_code_says_what_it_is_does_and_what_helps(code):
    assert code.sentence.endswith(".") and code.remedy.endswith((".", "!"))
    assert code.effect in ("holds_file", "holds_line", "note", "flags", "excludes")
    assert (code.code in EXCLUDING) == (code.effect == "excludes")
    assert code.threshold is None or code.threshold.strip()


def test_no_code_is_declared_twice():
    source = resources.files("schemas").joinpath("codes.py").read_text(encoding="utf-8")
    assert source.count("    Code(") == len(CODES)


def test_excluding_codes_are_those_of_the_fine_print():
    assert {"warm_up", "failed"} <= EXCLUDING
    assert not EXCLUDING & {"session_shift", "range_soft", "landing_suspect", "protocol_suspect"}


@pytest.mark.parametrize("metric", CATALOGUE.values(), ids=lambda metric: metric.metric)
def test_a_metric_says_where_it_comes_from(metric: Metric):
    for text in (metric.label, metric.formula, metric.source, metric.verified, metric.caution):
        assert text.strip()
    # A composite is of all families (contract, "Metric ids").
    assert metric.family in FAMILIES or (metric.metric, metric.family) == ("composite_score", "all")
    parts = PARTS.split(metric.unit.rstrip(")"))
    assert all(part in {*UNITS, *MADE_OF} for part in parts) or metric.unit in UNITS
    assert metric.decimals >= 0 and metric.min_trials >= 1
    low, high = metric.hard
    assert low <= metric.soft[0] < metric.soft[1] <= high
    if metric.soft_youth is not None:
        assert low <= metric.soft_youth[0] < metric.soft_youth[1] <= high
    for limits in metric.limits:
        assert set(limits.when) <= set(metric.series_keys)
        assert limits.hard[0] <= limits.soft[0] < limits.soft[1] <= limits.hard[1]
    if metric.typical_error is not None:
        assert metric.typical_error.source and metric.typical_error.verified
        assert metric.typical_error.trial or metric.typical_error.session


def test_the_metric_ids_of_the_contract_are_there_with_their_units():
    asked = {
        "flight_time": "s", "jump_height": "cm", "contact_time": "s", "reactive_strength_index": "m/s",
        "push_up_rise": "cm", "jump_peak_power_estimate": "W", "sprint_time": "s", "interval_speed": "m/s",
        "change_of_direction_time": "s", "body_mass": "kg", "stature": "cm", "top_speed": "m/s",
        "sprint_vmax": "m/s", "sprint_tau": "s", "sprint_f0": "N/kg", "sprint_v0": "m/s",
        "sprint_pmax": "W/kg", "sprint_rf_max": "%", "sprint_drf": "%/(m/s)",
        "change_of_direction_deficit": "s", "velocity_decrement_load": "N",
    }  # fmt: skip
    assert {name: CATALOGUE[name].unit for name in asked} == asked
    assert not CATALOGUE["body_mass"].learned and not CATALOGUE["stature"].learned
    assert CATALOGUE["body_mass"].series_keys == CATALOGUE["stature"].series_keys == ()


def test_series_keys_name_trial_columns():
    columns = {field.name for _, field in RAW} | {"method", "method_version"}
    assert {column for column, _ in SERIES_KEYS.values() if column is not None} <= columns
    assert all(set(metric.pool_keys) <= set(metric.series_keys) for metric in CATALOGUE.values())
    used = {key for metric in CATALOGUE.values() for key in metric.series_keys}
    assert used == set(SERIES_KEYS)


def entry(**changes: object) -> dict[str, object]:
    text = resources.files("schemas").joinpath("metrics.toml").read_text(encoding="utf-8")
    return {"metric": "body_mass", **tomllib.loads(text)["body_mass"], **changes}


def test_the_best_of_a_metric_without_a_better_direction_is_refused():
    """`summary = "best"` says nothing where neither high nor low is better."""
    assert Metric(**entry(summary="best", better="lower")).summary == "best"  # type: ignore[arg-type]
    with pytest.raises(ValidationError, match="best"):
        Metric(**entry(summary="best", better="context"))  # type: ignore[arg-type]
    with pytest.raises(ValidationError, match="colour"):
        Metric(**entry(colour="red"))  # type: ignore[arg-type]

"""Names taken apart, and the trade's words compared."""

from __future__ import annotations

import tomllib

import pytest

from pipeline.intake.propose.assign import targets_of
from pipeline.intake.propose.names import distance_in, number_in, take_apart
from pipeline.intake.propose.words import name_score, plain, unit_of, word_of
from pipeline.reading.units import UNITS
from schemas.families import FAMILIES
from tests.intake.propose.disguise import PACKAGE


@pytest.mark.parametrize(
    ("name", "bare", "unit"),
    [
        ("Flight (ms)", "Flight", "ms"),
        ("Mass [lb]", "Mass", "lb"),
        ("elapsed_ms", "elapsed", "ms"),
        ("flex N", "flex", "N"),
        ("rot L Nm", "rot L", "N.m"),
        ("Height (ft in)", "Height", "ft_in"),
        ("loadKg", "load", "kg"),
        ("room (°C)", "room", "none"),
        ("5 m", "5 m", None),
        ("Set #", "Set #", None),
        ("Athlete", "Athlete", None),
    ],
)
def test_units_are_taken_off_names(name: str, bare: str, unit: str | None) -> None:
    found = take_apart(name)
    assert (found.bare, found.unit) == (bare, unit)


@pytest.mark.parametrize(
    ("name", "told"),
    [("5 m", (5, "m")), ("10m split", (10, "m")), ("T20", (20, None)), ("Zeit 30 m [s]", (30, "m"))],
)
def test_distances_are_read_from_names(name: str, told: tuple[float, str | None]) -> None:
    assert distance_in(name) == told


def test_numbers_in_names() -> None:
    assert [number_in(name) for name in ("2.ª", "Trial 3", "5 of 10", "none")] == [2, 3, None, None]


@pytest.mark.parametrize(
    ("name", "target"), [("Flugzeit", "flight_time_s"), ("Vel. media", "mean_velocity_m_s")]
)
def test_names_of_the_trade_are_known(name: str, target: str) -> None:
    assert name_score(name, target) >= 0.75


@pytest.mark.parametrize(
    ("field", "text", "word"),
    [
        ("site", "TRÍCEPS", "triceps"),
        ("site", "Oberschenkel vorn", "thigh"),
        ("direction", "Seitneigung li", "left"),
        ("direction", "Rotation G", "rotation_left"),
        ("test", "C.M.J.", None),
        ("mark", "no count", "failed"),
        ("mark", "count", "ok"),
        ("direction", "left or right", None),
        ("leg", "2", "both"),
        ("site", "elbow", None),
    ],
)
def test_words_of_cells(field: str, text: str, word: str | None) -> None:
    hit = word_of(field, text)
    assert (hit and hit[0]) == word


def test_listed_words_are_the_families_own() -> None:
    """A list that says a word which no family knows would propose layouts that do not load."""
    listed = tomllib.loads((PACKAGE / "values.toml").read_text(encoding="utf-8"))
    closed = {
        field.name: {
            word
            for family in FAMILIES.values()
            for one in family.columns
            for word in one.values
            if one.name == field.name
        }
        for family in FAMILIES.values()
        for field in family.columns
        if field.values
    }
    for name, words in listed.items():
        if name in closed:
            assert set(words) <= closed[name], name
    assert set(closed) <= set(listed)


def test_every_target_has_names_in_five_languages() -> None:
    listed = tomllib.loads((PACKAGE / "columns.toml").read_text(encoding="utf-8"))
    targets = {name for family in FAMILIES.values() for name in targets_of(family)}
    for target in sorted(targets):
        assert {"en", "pt", "es", "de", "fr"} <= set(listed[target]), target


def test_spelled_units_are_units() -> None:
    spelled = tomllib.loads((PACKAGE / "units.toml").read_text(encoding="utf-8"))
    assert set(spelled) <= {*UNITS, "none"}
    assert [unit_of(text) for text in ("Lbs", "m·s-1", "Nm", "°C", "athlete")] == [
        "lb",
        "m/s",
        "N.m",
        "none",
        None,
    ]


def test_plain() -> None:
    assert plain("Força_máx (N) Nº2") == "forca max n n 2"

"""How well a column's cells fit a field: its limits, its words, its kind. From -1 to 1, or CANNOT."""

from __future__ import annotations

import re
from dataclasses import dataclass
from functools import cache

import polars as pl

from pipeline.intake.propose.columns import Column, Marks
from pipeline.intake.propose.moments import Moment
from pipeline.intake.propose.words import has_words, typical_range, unit_of, word_of
from pipeline.reading.units import UNITS, conversion, dimension, holds
from schemas.core import Field
from schemas.families import FAMILIES

CANNOT = -9.0

# Units that a size alone may point to, the usual first.
_BY_SIZE = {
    "time": ("s", "ms"),
    "length": ("m", "cm", "mm", "in", "ft", "yd"),
    "speed": ("m/s", "km/h", "mph"),
    "mass": ("kg", "lb", "g"),
    "force": ("N", "kgf", "lbf", "kN"),
    "torque": ("N.m",),
    "angle": ("deg",),
}
_NAME = re.compile(r"[^\W\d_]{2,}[^\W\d_'’\-]*(?:[ ,]+[^\W\d_]['’\-.]?[^\W\d_'’\-.]*)+")
_ID = re.compile(r"[A-Za-z]{0,4}[-_ ]?0*\d{1,6}")
_BY_ROW = frozenset(name for family in FAMILIES.values() for name in family.values)
_SOME = 12  # words of a column that are looked up
_WHOLE = frozenset({"distance_m", "start_offset_m", "load_kg", "added_load_kg", "sled_mass_kg"})
_COUNTED = 20
_MOST_WORDS = 40  # a column of more words is of people, comments or numbers
_MOST_NUMBERS = 60  # trials, sets and readings of one occasion are counted up to about here


@dataclass(frozen=True)
class UnitFit:
    """A unit for a column's numbers, how well the sizes fit the field in it, and where the unit is from."""

    unit: str
    score: float
    source: str


def fit_unit(column: Column, field: Field, marks: Marks) -> UnitFit | None:
    """The unit in which a column's cells fit a field best; None where they fit in none."""
    if column.units is not None and column.name.unit is None and field.name in _BY_ROW:
        return _fit_row_units(column, field, marks)
    for written in ("ft_in", "clock"):
        if (
            column.numeric < 0.9
            and holds(field.unit or "", written)
            and column.written_as(written, marks) >= 0.8
        ):
            return UnitFit(written, 0.4, "written")
    named = column.name.unit
    if not column.filled and named in UNITS and holds(field.unit or "", named):
        return UnitFit(named, -0.1, "name")
    if column.numeric < 0.8:
        return None
    if named is not None and named != "none" and holds(field.unit or "", named):
        score = _size_score(column, field, named)
        if score > -1 or column.name.sure:
            return UnitFit(named, score, "name") if score > -1 else None
    if named is not None and column.name.sure:
        return None
    units = field_units(field)
    scored = [(round(_size_score(column, field, unit), 1), -at, unit) for at, unit in enumerate(units)]
    if not scored:
        return None
    score, _, unit = max(scored)
    if column.whole and field.name not in _WHOLE and float(column.values.max() or 0) <= _COUNTED:  # type: ignore[arg-type]
        score -= 0.3  # numbers such as 1, 2, 3 are counted, not measured
    return UnitFit(unit, score, "size") if score > -1 else None


def _fit_row_units(column: Column, field: Field, marks: Marks) -> UnitFit | None:
    """The fit of values whose unit stands in a column of its own."""
    to = field.unit if field.unit in UNITS else None
    values = column.in_row_units(to, marks)
    if values is None:
        return None
    spelled = column.units.drop_nulls().unique().to_list() if column.units is not None else []
    told = [unit for word in spelled if (unit := unit_of(word)) is not None]
    if not all(holds(field.unit or "", unit) for unit in told):
        return None
    if to is None:
        return UnitFit("", 0.35, "column")
    score = _score_values(values, field)
    return UnitFit("", score, "column") if score > -1 else None


def field_units(field: Field) -> list[str]:
    """The units that a field's values are likely written in, the usual first."""
    wanted = [unit for unit in (field.unit or "").split(" or ") if unit in UNITS]
    own = [unit for unit in wanted if unit == "mm"]
    return [*own, *dict.fromkeys(unit for one in wanted for unit in _BY_SIZE.get(dimension(one), ()))]


def _size_score(column: Column, field: Field, unit: str) -> float:
    """From the share of values within the field's hard limits and what is usual; -1 where most are out."""
    if field.unit is None or " or " in field.unit or field.unit == "any":
        return 0.2
    factor = float(conversion(unit, field.unit)) if UNITS[unit].written == "number" else 1.0
    return _score_values(column.values * factor, field)


def _score_values(values: pl.Series, field: Field) -> float:
    """The same of values in the field's unit."""
    if values.is_empty():
        return 0.0
    low, high = (
        (field.low if field.low is not None else -1e12),
        (field.high if field.high is not None else 1e12),
    )
    inside = float(values.is_between(low, high).mean() or 0)  # type: ignore[arg-type]
    if inside < 0.8:
        return -1.0
    usual = typical_range(field.name)
    share = float(values.is_between(*usual).mean() or 0) if usual else 0.5  # type: ignore[arg-type]
    return 0.6 * share - 0.3 * (1 - inside) - (0.3 if share < 0.3 else 0.0)


def fit_field(column: Column, field: Field, marks: Marks) -> float:
    """How well a column's cells fit a family's field; CANNOT where they can not be it."""
    if not column.filled:
        return -0.1  # an empty column is what its name says, or nothing
    if field.type == "integer":
        return _fit_count(column, field)
    if field.type == "real":
        found = fit_unit(column, field, marks)
        return found.score if found is not None else CANNOT
    return fit_words(column, field)


def _fit_count(column: Column, field: Field) -> float:
    """Trial, set, repetition: small whole numbers."""
    if not column.whole or (column.name.unit is not None and column.name.sure):
        return CANNOT
    values = column.values
    low, high = float(values.min()), float(values.max())  # type: ignore[arg-type]
    if low < (field.low or 0) or high > 500:
        return CANNOT
    if high > _MOST_NUMBERS or any("." in word or "," in word for word in column.words[:50]):
        return -0.3
    begins = 0.15 if low in (0, 1) else -0.1
    runs = float((values.diff().drop_nulls().is_in([1.0, 0.0])).mean() or 0) if values.len() > 1 else 0.5  # type: ignore[arg-type]
    return begins + 0.35 * runs


def fit_words(column: Column, field: Field) -> float:
    """How many of a text column's words the field knows."""
    if field.name == "resistance_setting" and column.numeric > 0.5:
        return -0.2  # numbers that mean nothing elsewhere, also where a unit stands beside them
    if column.name.unit is not None and column.name.sure and column.numeric > 0.5:
        return CANNOT
    if (field.values or field.name == "lift") and len(column.words) > _MOST_WORDS:
        return CANNOT
    if field.values or (has_words(field.name) and field.name != "lift"):
        share = known_share(field.name, tuple(column.words[:_MOST_WORDS]), field.values)
        if field.values:
            lone = len(column.words) == 1 and len(column.words[0]) <= 2
            if share == 0:
                return -0.6 if len(column.words) <= 20 and column.numeric < 0.5 else CANNOT
            return (0.9 * share - 0.3 * (1 - share)) * (0.4 if lone else 1.0)
        if column.numeric > 0.5:
            return CANNOT
        return 0.8 * share if share else (-0.15 if len(column.words) <= 12 else -0.5)
    if field.name in ("lift", "test"):
        if column.numeric > 0.5 or len(column.words) > _MOST_WORDS:
            return CANNOT
        return (
            0.9 * known_share("lift", tuple(column.words[:_MOST_WORDS]), ()) if field.name == "lift" else 0.1
        )
    if column.numeric > 0.5:
        return -0.5
    return 0.1 if len(column.words) <= 30 else -0.3


@cache
def known_share(field: str, words: tuple[str, ...], among: tuple[str, ...]) -> float:
    """The share of (the first) words that a field's list has; those it only resembles count for less."""
    some = words[:_SOME]
    found = [word_of(field, word, among) for word in some]
    return sum((1.0 if hit[1] else 0.8) for hit in found if hit is not None) / len(some) if some else 0.0


def fit_mark(column: Column) -> float:
    """How well a column's cells are the operator's marks."""
    if not column.words or len(column.words) > 12:
        return CANNOT
    share = known_share("mark", tuple(column.words), ())
    lone = 1.0 if len(column.words) > 1 else 0.4 if len(column.words[0]) <= 3 else 0.75
    return (0.9 * share - 0.3 * (1 - share)) * lone if share else -0.5


def fit_athlete(column: Column, known: frozenset[str]) -> float:
    """How well a column's cells are people: names of two words, short ids, or who is on the roster."""
    words = column.words
    if not words or (column.name.unit is not None and column.name.sure and column.numeric > 0.5):
        return CANNOT
    on_roster = sum(word.casefold() in known for word in words) / len(words) if known else 0.0
    named = sum(bool(_NAME.fullmatch(word)) for word in words) / len(words)
    ids = sum(bool(_ID.fullmatch(word)) for word in words) / len(words)
    if column.numeric > 0.9:
        return -0.2 + on_roster if column.whole else CANNOT
    capital = sum(word[:1].isupper() for word in words) / len(words)
    several = 0.1 if len(words) > 3 else 0.0
    return max(on_roster, 0.6 * named * (0.5 + 0.5 * capital), 0.45 * ids, 0.1 * capital) + several


def fit_time(role: str, moment: Moment | None) -> float:
    """How well a column is a date, a time of day, or both at once."""
    wanted = {"date": "date", "time": "time", "performed_at": "moment"}[role]
    if moment is None or moment.kind != wanted:
        return CANNOT
    return 0.7


def rises(values: pl.Series) -> float:
    """The share of steps that go up: of a trace's time all but those between runs."""
    steps = values.diff().drop_nulls()
    return float((steps > 0).mean() or 0) if steps.len() > 3 else 0.0  # type: ignore[arg-type]


def even_steps(values: pl.Series) -> float:
    """The share of steps that are as long as the commonest: of a trace's time nearly all."""
    steps = values.diff().drop_nulls().round(4)
    return float((steps == steps.mode().min()).mean() or 0) if steps.len() > 3 else 0.0  # type: ignore[arg-type]

"""Columns that are rows of their own: a column a gate, a fold, a reading, a direction, a quantity."""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass, replace

from pipeline.intake.propose.columns import Column, Marks
from pipeline.intake.propose.fit import fit_unit
from pipeline.intake.propose.names import Name, distance_in, number_in, take_apart
from pipeline.intake.propose.words import name_score, plain, word_of
from pipeline.reading.units import conversion
from schemas.core import Family, Field

# Family -> (what its columns may be of, the field counted by a number in the name).
_KEYS = {
    "skinfold_calipers": ("site", "reading"),
    "neck_dynamometer": ("direction", "trial"),
    "body_measures": ("quantity", "reading"),
    "contact_mat": ("leg", "trial"),
    "other_tests": ("side", "trial"),
}


@dataclass(frozen=True)
class Entry:
    """A column of an unpivoted field, its constants, its unit, and where the unit is from."""

    column: Column
    target: str
    constants: tuple[tuple[str, str | float | int], ...]
    unit: str
    unit_source: str
    sure: bool = True


def find_entries(columns: Sequence[Column], family: Family, marks: Marks) -> list[Entry]:
    """The columns of a family that become rows of their own; none where a line is a row."""
    if family.name == "timing_gates":
        return _gates(columns, family, marks)
    if family.name in _KEYS:
        return _keyed(columns, family, marks)
    return []


def _gates(columns: Sequence[Column], family: Family, marks: Marks) -> list[Entry]:
    """Columns named by a distance, with times that rise with it."""
    field = family.field("split_time_s")
    found: list[tuple[float, str, Column, str, str]] = []
    for column in columns:
        told = distance_in(column.name.written) if column.name.bare else None
        if told is None or column.numeric < 0.8 or not column.filled:
            continue
        number, unit = told
        rest = re.sub(r"\d+(?:[.,]\d+)?[\s_]*(?:m|yd|ft)?(?![a-zA-Z])", " x ", column.name.written)
        time_unit = next(
            (one for one in (take_apart(rest).unit, column.name.unit) if one in ("s", "ms")), None
        )
        if (
            unit is None
            and name_score(column.name.bare, "split_time_s") < 0.3
            and plain(column.name.bare).isalpha()
        ):
            continue
        sized = fit_unit(replace(column, name=take_apart("x")), field, marks)
        if sized is None:
            continue
        metres = number * (float(conversion(unit, "m")) if unit else 1.0)
        found.append((metres, unit or "m", column, time_unit or sized.unit, "name" if time_unit else "size"))
    found.sort(key=lambda one: one[0])
    found_at = {id(one[2]) for one in found}
    if len({one[0] for one in found}) < 2:
        return []
    found += [
        (
            number * (float(conversion(unit, "m")) if unit else 1.0),
            unit or "m",
            column,
            found[0][3],
            found[0][4],
        )
        for column in columns
        if not column.filled and id(column) not in found_at and (told := distance_in(column.name.written))
        for number, unit in (told,)
        if unit is not None or column.name.written.strip() == f"{number:g}"
    ]
    found.sort(key=lambda one: one[0])
    medians = [float(column.values.median() or 0) for _, _, column, _, _ in found if column.filled]  # type: ignore[arg-type]
    if medians != sorted(medians):
        return []
    return [
        Entry(column, "split_time_s", (("distance_m", _short(metres)),), unit, source, length == "m")
        for metres, length, column, unit, source in found
    ]


def _short(value: float) -> float | int:
    rounded = round(value, 4)
    return int(rounded) if rounded == int(rounded) else rounded


def _keyed(columns: Sequence[Column], family: Family, marks: Marks) -> list[Entry]:
    """Columns named by a word of the family's key, by a number, or by both."""
    key, counter = _KEYS[family.name]
    numeric = [c for c in columns if c.name.bare and (not c.filled or _holds_numbers(c, marks))]
    named = [(c, word_in(c.name, key, family.field(key))) for c in numeric if _holds_numbers(c, marks)]
    entries = [
        entry
        for column, word in named
        if word is not None and (entry := _entry(column, word, key, counter, family, marks)) is not None
    ]
    least = 1 if family.name == "body_measures" else 2
    if len({entry.constants for entry in entries}) >= least:
        return _numbered_only_where_needed(entries, counter)
    return _counted(numeric, counter, family, marks)


def _holds_numbers(column: Column, marks: Marks) -> bool:
    """Whether a column's cells are numbers; an empty one's are where its name has a unit."""
    if not column.filled:
        return column.name.unit not in (None, "none")
    return column.numeric >= 0.8 or column.written_as("ft_in", marks) >= 0.8


def word_in(name: Name, key: str, field: Field) -> tuple[str, bool] | None:
    """The word of a key field that a column's name has, and whether the list has it so."""
    # A last letter may be a side and no unit: `rotation g`.
    for said in (name.bare,) if name.sure else (name.written, name.bare):
        bare = re.sub(r"\d+", " ", said)
        hit = word_of(key, bare, field.values) if len(plain(bare)) > 1 or key == "leg" else None
        if hit is not None:
            return hit
    return None


def _entry(
    column: Column, word: tuple[str, bool], key: str, counter: str, family: Family, marks: Marks
) -> Entry | None:
    target = _target(column, word[0], family)
    unit = fit_unit(column, _as_measured(family.field(target), word[0]), marks)
    if unit is None:
        return None
    number = number_in(column.name.bare)
    constants: list[tuple[str, str | int]] = [(key, word[0])]
    if number is not None and number <= 20:
        constants.append((counter, number))
    return Entry(column, target, tuple(constants), unit.unit, unit.source, word[1])


def _target(column: Column, word: str, family: Family) -> str:
    if family.name == "neck_dynamometer":
        is_torque = column.name.unit == "N.m" or (
            word.startswith("rotation") and not (column.name.unit and column.name.sure)
        )
        return "peak_torque_n_m" if is_torque else "peak_force_n"
    return {"skinfold_calipers": "thickness_mm", "contact_mat": "flight_time_s"}.get(family.name, "value")


def _as_measured(field: Field, word: str) -> Field:
    """A field with the limits and the unit that hold for one word of its key."""
    limits = {name: (low, high) for name, low, high in field.limits_by}
    if word not in limits:
        return field
    low, high = limits[word]
    return Field(word, field.type, "", unit="kg" if word == "mass" else "m", low=low, high=high)


def _numbered_only_where_needed(entries: list[Entry], counter: str) -> list[Entry]:
    """Entries without their numbers where no word has more than one column."""
    counts = Counter(entry.constants[0] for entry in entries)
    if max(counts.values()) > 1:
        return entries
    return [Entry(e.column, e.target, e.constants[:1], e.unit, e.unit_source, e.sure) for e in entries]


def _counted(columns: list[Column], counter: str, family: Family, marks: Marks) -> list[Entry]:
    """Columns of one name and a number: the readings or trials of a line."""
    target = {"body_measures": "value", "neck_dynamometer": "peak_force_n"}.get(family.name, family.values[0])
    by_stem: dict[str, list[tuple[int, Column]]] = {}
    for column in columns:
        number = number_in(column.name.bare)
        if number is not None and 1 <= number <= 20:
            stem = re.sub(r"\d+", " ", plain(column.name.bare)).strip()
            by_stem.setdefault(stem, []).append((number, column))
    groups = [group for group in by_stem.values() if len({n for n, column in group if column.filled}) >= 2]
    if not groups:
        return []
    found: list[Entry] = []
    empty: list[tuple[int, Column]] = []
    for number, column in max(groups, key=len):
        unit = fit_unit(column, family.field(target), marks)
        if unit is None and column.filled:
            return []
        if unit is not None:
            found.append(Entry(column, target, ((counter, number),), unit.unit, unit.source))
        else:  # an empty column is as its neighbours
            empty.append((number, column))
    first = found[0]
    found += [replace(first, column=column, constants=((counter, n),)) for n, column in empty]
    return sorted(found, key=lambda entry: int(entry.constants[0][1]))

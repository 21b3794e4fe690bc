"""Faults that no line shows by itself: whose trials these are, in which unit, and where a gate stood."""

from collections import defaultdict
from itertools import pairwise

from ..export import Export, Line, remade
from ..people import Roster
from .base import Act, Book, Fault, full_line, place_in

POUND_KG = 0.45359237  # international yard and pound agreement, 1959


def previous_still_selected(test: str, target: str, ratio: float, count: int) -> Act:
    """The first `count` trials of an athlete stand under the name of the one before, whose values are at
    least `ratio` times as large or small."""

    def act(book: Book, export: Export, roster: Roster) -> list[Fault]:
        before, following = _unlike_neighbours(export, test, target, ratio, count)
        does = "loads them, leaves them out of results and asks whose they are: perhaps the next athlete's"
        faults = []
        for line in following[:count]:
            new = remade(export, line, roster, athlete_id=before)
            new.code, new.damaged = "identity_suspect", True
            export.lines[place_in(export, line)] = new
            written = new.cells[export.spec.at("athlete")]
            title = "trials of the next athlete, under the name of the one before"
            faults.append(Fault(title, export.path, new, "identity_suspect", does, written))
        return faults

    return act


def _unlike_neighbours(
    export: Export, test: str, target: str, ratio: float, count: int
) -> tuple[str, list[Line]]:
    """The first athlete whose neighbour after is so unlike, and the neighbour's lines of the test."""
    people: dict[str, list[Line]] = defaultdict(list)
    for line in export.data():
        if line.row and line.row.facts.get("test") == test and line.row.values.get("added_load_kg") == 0.0:
            people[line.row.athlete_id].append(line)
    queue = list(people)
    for one, other in pairwise(queue):
        good = [
            [line for line in people[who] if not line.damaged and line.row and line.row.facts["mark"] == "ok"]
            for who in (one, other)
        ]
        own, theirs = (max(line.row.values[target] for line in lines if line.row) for lines in good)
        if max(own / theirs, theirs / own) >= ratio and len(good[1]) == len(people[other]) > count:
            return one, people[other]
    raise LookupError(f"{export.path}: no neighbours are unlike enough")


def kilograms_as_pounds() -> Act:
    """Somebody wrote kilograms into the column of pounds."""

    def act(book: Book, export: Export, roster: Roster) -> list[Fault]:
        old = full_line(export)
        assert old.row is not None
        new = remade(export, old, roster, many={**old.row.many, "mass": old.row.many["mass"] * POUND_KG})
        new.code, new.damaged = "unit_suspect", True
        export.lines[place_in(export, old)] = new
        does = "loads it, leaves it out of results and proposes to convert it"
        written = new.cells[export.spec.at("athlete")]
        return [Fault("kilograms in a column of pounds", export.path, new, "unit_suspect", does, written)]

    return act


def gate_too_near(gate: str, before: str, metres: float) -> Act:
    """The gate at `gate` m stood `metres` nearer all day; the runs past it are that much shorter."""

    def act(book: Book, export: Export, roster: Roster) -> list[Fault]:
        first: Line | None = None
        for line in [
            one for one in export.data() if one.row and gate in one.row.many and before in one.row.many
        ]:
            assert line.row is not None
            many = dict(line.row.many)
            apart = float(gate) - float(before)
            many[gate] -= (many[gate] - many[before]) * metres / apart
            new = remade(export, line, roster, many=many)
            new.fate, new.damaged = line.fate, True
            export.lines[place_in(export, line)] = new
            marked = line.row.facts["mark"] != "ok"
            first = new if first is None and not marked else first
        assert first is not None
        does = "loads them and flags the day: everybody moved the same way"
        title = f"a gate that stood {metres:g} m too near all day (first run)"
        written = first.cells[export.spec.at("athlete")]
        return [Fault(title, export.path, first, "session_shift", does, written)]

    return act

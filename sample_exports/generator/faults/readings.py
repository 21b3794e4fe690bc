"""Faults of repeated readings: one alone, two far apart, a site left out, a cell left empty."""

from collections import defaultdict
from collections.abc import Hashable

from ..export import Export, Line
from ..people import Roster
from ..spec import Row
from .base import Act, Book, Fault, hold


def _fold(row: Row) -> Hashable:
    """What the readings of one fold share."""
    return row.athlete_id, row.facts["site"], row.facts["measurer"]


def _folds(export: Export) -> dict[Hashable, list[Line]]:
    """The lines of each fold in a file with a line a reading."""
    found: dict[Hashable, list[Line]] = defaultdict(list)
    for line in export.data():
        if line.row is not None and not line.damaged:
            found[_fold(line.row)].append(line)
    return found


def lone_reading() -> Act:
    """A site that was read once."""

    def act(book: Book, export: Export, roster: Roster) -> list[Fault]:
        line = next(lines[0] for lines in _folds(export).values() if len(lines) == 1)
        does = "loads it and flags it, and the sums it is in"
        written = line.cells[export.spec.at("thickness_mm")]
        return [Fault("a site read once", export.path, line, "single_reading", does, written)]

    return act


def readings_apart() -> Act:
    """Two readings of a site that are far apart, without a third."""

    def act(book: Book, export: Export, roster: Roster) -> list[Fault]:
        def apart(pair: list[Line]) -> float:
            low, high = sorted(line.numbers[0].exported for line in pair)
            return high / low

        pair = max((lines for lines in _folds(export).values() if len(lines) == 2), key=apart)
        does = "loads both and flags them: a third reading is due"
        return [
            Fault(
                "readings far apart",
                export.path,
                line,
                "third_reading_due",
                does,
                line.cells[export.spec.at("thickness_mm")],
            )
            for line in pair
        ]

    return act


def skipped_site(n_sites: int) -> Act:
    """Somebody of whom one site was not taken."""

    def act(book: Book, export: Export, roster: Roster) -> list[Fault]:
        lines: dict[str, list[Line]] = defaultdict(list)
        for line in export.data():
            assert line.row is not None
            lines[line.row.athlete_id].append(line)
        last = next(
            of_one[-1]
            for of_one in lines.values()
            if len({line.row.facts["site"] for line in of_one if line.row}) == n_sites - 1
        )
        does = "loads the sites there are; no sum is made of a set that is not whole"
        written = last.cells[export.spec.at("athlete")]
        return [Fault("a site left out (last line of that athlete)", export.path, last, "", does, written)]

    return act


def emptied(target: str, fact: str, word: str, title: str, does: str) -> Act:
    """The first line whose `fact` is `word` lacks a cell that such a line needs."""

    def act(book: Book, export: Export, roster: Roster) -> list[Fault]:
        line = next(
            line
            for line in export.data()[5:]
            if line.row and line.row.facts[fact] == word and not line.damaged
        )
        line.cells[export.spec.at(target)] = export.spec.null_word
        written = line.cells[export.spec.at("athlete")]
        return [Fault(title, export.path, hold(line, "missing_value"), "missing_value", does, written)]

    return act

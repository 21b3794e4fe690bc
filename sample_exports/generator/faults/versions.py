"""Faults between lines: the same trial told twice, otherwise, or under another name."""

from ..export import Export, Line, line_key, remade
from ..people import Roster
from ..spec import Row
from .base import Act, Book, Fault, full_line, hold, lines_of, place_in


def key_conflict(target: str, factor: float) -> Act:
    """The same trial twice in one file, with two values."""

    def act(book: Book, export: Export, roster: Roster) -> list[Fault]:
        first = full_line(export)
        assert first.row is not None
        second = remade(
            export, first, roster, values={**first.row.values, target: first.row.values[target] * factor}
        )
        export.lines.insert(place_in(export, first) + 1, second)
        does = "holds both lines: one trial cannot have two values"
        return [
            Fault(
                "one trial, two values",
                export.path,
                hold(line, "key_conflict"),
                "key_conflict",
                does,
                line.cells[0],
            )
            for line in (first, second)
        ]

    return act


def doubled_line() -> Act:
    """The same line twice, byte for byte."""

    def act(book: Book, export: Export, roster: Roster) -> list[Fault]:
        first = full_line(export, least=12)
        second = remade(export, first, roster)
        second.fate = "repeated"
        export.lines.insert(place_in(export, first) + 1, second)
        does = "counts it as repeated and stores it once"
        return [Fault("a line written twice", export.path, second, "", does, second.cells[0])]

    return act


def _original(book: Book, export: Export, row: Row) -> Line:
    """The line of the same trial in an earlier file of the device."""
    key = line_key(export.spec, row)
    for path in sorted(book):
        for line in book[path].data():
            if line.row and line.fate == "loaded" and line_key(book[path].spec, line.row) == key:
                return line
    raise LookupError(f"{export.path}: nothing to change")


def _rewritten(book: Book, export: Export, roster: Roster, target: str, factor: float, place: int) -> Line:
    """The `place`-th line of a re-export with `target` multiplied; it takes the old line's place."""
    old = export.data()[place]
    assert old.row is not None
    new = remade(export, old, roster, values={**old.row.values, target: old.row.values[target] * factor})
    export.lines[place_in(export, old)] = new
    return new


def superseding(target: str, factor: float) -> Act:
    """A re-export with a value that was corrected on the device."""

    def act(book: Book, export: Export, roster: Roster) -> list[Fault]:
        new = _rewritten(book, export, roster, target, factor, 6)
        assert new.row is not None
        new.fate = "superseding"
        _original(book, export, new.row).superseded = True
        does = "stores the new value as version 2 and keeps the old one in superseded_rows"
        return [Fault(f"a re-export, one value {factor - 1:+.0%}", export.path, new, "", does, new.cells[0])]

    return act


def changed_at_source(target: str, factor: float) -> Act:
    """A re-export with a value that is too far off for a correction."""

    def act(book: Book, export: Export, roster: Roster) -> list[Fault]:
        new = hold(_rewritten(book, export, roster, target, factor, 18), "changed_at_source")
        does = "holds the line and keeps the first value until somebody answers"
        title = f"a re-export, one value {factor - 1:+.0%}"
        return [Fault(title, export.path, new, "changed_at_source", does, new.cells[0])]

    return act


def relabelled(athlete_id: str, true_test: str, trial: int, filed_test: str, filed_trial: int) -> Act:
    """A trial filed as another test; the demo's `corrections.csv` relabels it."""

    def act(book: Book, export: Export, roster: Roster) -> list[Fault]:
        for line in lines_of(export, athlete_id):
            if line.row and line.row.facts["test"] == true_test and line.row.facts["trial"] == trial:
                facts = {**line.row.facts, "test": filed_test, "trial": filed_trial}
                new = remade(export, line, roster, facts=facts)
                new.now = {"test": true_test}
                export.lines[place_in(export, line)] = new
                does = f"loads it; a line of config/corrections.csv relabels it {true_test}, as version 2"
                return [Fault("a trial filed as another test", export.path, new, "", does, new.cells[0])]
        return []

    return act


def same_file_again(first: str) -> Act:
    """The same content under another name."""

    def act(book: Book, export: Export, roster: Roster) -> list[Fault]:
        return [
            Fault(
                "a file dropped twice", export.path, None, "", f"knows the content of {first}: repeated", ""
            )
        ]

    return act

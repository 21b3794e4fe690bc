"""Faults in a cell: names, numbers, words, dates, and the marks that a device sets itself."""

from collections.abc import Callable
from dataclasses import replace

from ..export import Export, Line, data_line, remade
from ..people import Roster
from ..spec import Row, Stamp
from ..units import held_in, to_text
from .base import Act, Book, Fault, full_line, hold, lines_of, place_in


def _renamed(title: str, code: str, does: str, lines: list[Line], export: Export, name: str) -> list[Fault]:
    """Writes another name on `lines`, which are held for it."""
    for line in lines:
        line.cells[export.spec.at("athlete")] = name
        hold(line, code)
    return [Fault(title, export.path, line, code, does, name) for line in lines]


def misspelt_name(athlete_id: str, name: str) -> Act:
    """All lines of an athlete carry a misspelt name."""

    def act(book: Book, export: Export, roster: Roster) -> list[Fault]:
        does = "holds the line and proposes the nearest names; `yardmark alias` releases it"
        return _renamed("a misspelt name", "unknown_name", does, lines_of(export, athlete_id), export, name)

    return act


def ambiguous_name(athlete_id: str, name: str) -> Act:
    """An athlete's lines carry a short name that two people have."""

    def act(book: Book, export: Export, roster: Roster) -> list[Fault]:
        does = "holds the line and names both people; it never guesses"
        return _renamed(
            "a short name of two people", "ambiguous_name", does, lines_of(export, athlete_id), export, name
        )

    return act


def stranger(
    name: str,
    title: str = "a visiting stranger",
    code: str = "unknown_name",
    does: str = "holds the line; answer `new`, an athlete_id or `drop`",
) -> Act:
    """A visitor who is not on the roster stands among the others."""

    def act(book: Book, export: Export, roster: Roster) -> list[Fault]:
        model = export.data()[5]
        assert model.row is not None
        visitor = data_line(export.spec, replace(model.row, athlete_id="", name=name), roster)
        export.lines.insert(place_in(export, model), visitor)
        return _renamed(title, code, does, [visitor], export, name)

    return act


def _retexted(
    title: str, code: str, does: str, export: Export, target: str, change: Callable[[str], str]
) -> list[Fault]:
    """Changes the text of one cell of a full line, which is held."""
    line = full_line(export)
    place = export.spec.at(target)
    line.cells[place] = change(line.cells[place])
    return [Fault(title, export.path, hold(line, code), code, does, line.cells[place])]


def not_a_number(target: str) -> Act:
    """A digit became a letter."""

    def act(book: Book, export: Export, roster: Roster) -> list[Fault]:
        does = "holds the whole line, its good splits too, and shows the text it could not read"
        return _retexted(
            "a letter in a number", "not_a_number", does, export, target, lambda text: text[:-1] + "S"
        )

    return act


def not_in_map(target: str, word: str) -> Act:
    """A word that the layout's map does not know."""

    def act(book: Book, export: Export, roster: Roster) -> list[Fault]:
        does = "holds the line; the word is added to the layout's map and `yardmark retry` releases it"
        return _retexted(f"an unknown {target}", "not_in_map", does, export, target, lambda _: word)

    return act


def out_of_range(target: str, value: float, unit: str = "s", why: str = "the mat missed a landing") -> Act:
    """A number that cannot be [SI]; `unit` is the warehouse's, for the title."""

    def act(book: Book, export: Export, roster: Roster) -> list[Fault]:
        column = export.spec.columns[export.spec.at(target)]
        written = to_text(value, column.unit, column.decimals)  # type: ignore[union-attr]
        text, held = written.replace(".", export.spec.decimal), value / float(held_in(target))
        title, does = f"a {target} of {held:g} {unit}", f"holds the line: {why}"
        return _retexted(title, "out_of_range", does, export, target, lambda _: text)

    return act


def bad_date() -> Act:
    """A day that no month has."""

    def act(book: Book, export: Export, roster: Roster) -> list[Fault]:
        line = full_line(export)
        assert line.row is not None
        place = export.spec.at("performed_at")
        stamp = export.spec.columns[place]
        assert isinstance(stamp, Stamp)
        line.cells[place] = line.row.at.strftime(stamp.format.replace("%d", "45"))
        does = "holds the line; it never guesses a date"
        return [Fault("a day 45", export.path, hold(line, "bad_date"), "bad_date", does, line.cells[place])]

    return act


def wrong_clock(year: int) -> Act:
    """The device's clock had lost its date."""

    def act(book: Book, export: Export, roster: Roster) -> list[Fault]:
        line = full_line(export)
        assert line.row is not None
        place = export.spec.at("performed_at")
        stamp = export.spec.columns[place]
        assert isinstance(stamp, Stamp)
        line.cells[place] = line.row.at.replace(year=year).strftime(stamp.format)
        does = "holds the line: the device was not in use yet"
        hold(line, "before_device")
        return [Fault(f"a clock in {year}", export.path, line, line.code, does, line.cells[place])]

    return act


def untold(target: str, code: str, title: str, does: str, fits: Callable[[Row], bool]) -> Act:
    """The first line that `fits` lacks a fact or number that it does not need, and is loaded with a flag."""

    def act(book: Book, export: Export, roster: Roster) -> list[Fault]:
        old = _first(export, fits)
        assert old.row is not None
        facts, values = (
            {name: value for name, value in told.items() if name != target}
            for told in (old.row.facts, old.row.values)
        )
        new = remade(export, old, roster, facts=facts, values=values)
        new.code, new.damaged = code, True
        export.lines[place_in(export, old)] = new
        written = new.cells[export.spec.at("athlete")]
        return [Fault(title, export.path, new, code, does, written)]

    return act


def _first(export: Export, fits: Callable[[Row], bool]) -> Line:
    """The first undamaged line of which `fits` is true."""
    return next(
        line
        for line in export.data()
        if line.row and line.fate == "loaded" and not line.damaged and fits(line.row)
    )


def shown(title: str, code: str, does: str, fits: Callable[[Row], bool] = lambda row: True) -> Act:
    """Nothing is damaged: the first line that `fits` shows how something is written or was done."""

    def act(book: Book, export: Export, roster: Roster) -> list[Fault]:
        line = _first(export, fits)
        return [Fault(title, export.path, line, code, does, line.cells[export.spec.at("athlete")])]

    return act


def splits_not_rising(early: str, late: str, least: int) -> Act:
    """A gate that somebody else tripped later: its time is above that of the next gate."""

    def act(book: Book, export: Export, roster: Roster) -> list[Fault]:
        old = full_line(export, least)
        assert old.row is not None
        new = remade(export, old, roster, many={**old.row.many, early: old.row.many[late] + 0.05})
        new.code, new.damaged = "split_not_rising", True
        export.lines[place_in(export, old)] = new
        does = "loads the line and flags both gates, as either may be wrong; nothing is computed from them"
        written = new.cells[export.spec.at("athlete")]
        return [Fault("splits that do not rise", export.path, new, "split_not_rising", does, written)]

    return act


def marked_trials(book: Book) -> list[Fault]:
    """The first warm-up trial and the first failed one that a device marked itself."""
    found = []
    for mark, does, mode in (
        ("warm_up", "loads it and uses it for nothing", 23),
        ("failed", "loads it, counts it as tried", 25),
    ):
        for path in sorted(book):
            line = next(
                (one for one in book[path].data() if one.row and one.row.facts.get("mark") == mark), None
            )
            if line is not None:
                written = line.cells[book[path].spec.at("mark")]
                found.append(Fault(f"a trial marked {mark}", path, line, mark, does, written, (mode,)))
                break
    return found

"""What a planted fault is, and how a line is found and held for it."""

from collections.abc import Callable
from dataclasses import dataclass

from ..export import Export, Line
from ..people import Roster

Book = dict[str, Export]  # by path below inbox/


@dataclass(frozen=True)
class Fault:
    """A planted fault as the README tells it; `line` None is the whole file, `modes` are keys of MODES."""

    title: str
    path: str
    line: Line | None
    code: str
    does: str
    written: str  # what stands there, to be found again
    modes: tuple[int, ...] = ()


Act = Callable[[Book, Export, Roster], list[Fault]]


@dataclass(frozen=True)
class Plan:
    """Which file is damaged how, and which ways of going wrong that shows."""

    path: str
    act: Act
    modes: tuple[int, ...]


def hold(line: Line, code: str) -> Line:
    """Marks a line as held for `code`."""
    line.fate, line.code, line.damaged = "held", code, True
    return line


def full_line(export: Export, least: int = 5) -> Line:
    """The first undamaged line from the `least`-th on that tells as many numbers as any other."""
    lines = [line for line in export.data()[least:] if line.fate == "loaded" and not line.damaged]
    most = max(len(line.numbers) for line in lines)
    return next(
        line
        for line in lines
        if len(line.numbers) == most and line.row and line.row.facts.get("mark") != "failed"
    )


def lines_of(export: Export, athlete_id: str) -> list[Line]:
    """The undamaged lines of an athlete."""
    return [
        line for line in export.data() if line.row and line.row.athlete_id == athlete_id and not line.damaged
    ]


def place_in(export: Export, line: Line) -> int:
    """Where `line` stands in the file, by identity."""
    return next(place for place, one in enumerate(export.lines) if one is line)

"""Facilities that a command is about to change, and what it makes of them when nobody disturbs it."""

from __future__ import annotations

import shutil
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

from tests.end_to_end.runs import copy_of
from tests.faults.hall import SECOND, VALID_ON, drop, new_hall
from tests.faults.server import Ended, Server
from tests.intake.facility_maker import fill

HERE = "{}"
"""In a command: where the facility is."""
RUN = ("run", HERE, *VALID_ON)


def do(server: Server, folder: Path, command: tuple[str, ...], **how: object) -> Ended:
    """Do a command on a facility; `how` as for `Server.do`."""
    words = (str(folder) if word == HERE else word for word in command)
    return server.do(*words, root=folder, **how)


def done(server: Server, folder: Path, command: tuple[str, ...]) -> Ended:
    """Do a command that has to end well."""
    ended = do(server, folder, command)
    assert ended.status == 0, ended.err
    return ended


@dataclass(frozen=True)
class Start:
    """How a facility comes to be: from the one named `of` (none: an empty folder), by `make`."""

    of: str | None
    make: Callable[[Server, Path], object]


def _more(server: Server, folder: Path) -> None:
    done(server, folder, RUN)
    drop(folder, SECOND)


def _fill_in(_: Server, folder: Path) -> None:
    """Somebody says who is who, gives a value, and adds two people, one of a name that two have already."""
    held = folder / "held"
    fill(held / "questions.csv", {0: "new", 1: "a04"})
    for starts, said in (("a.csv", "1.77"), ("b.csv", "new")):
        (sheet,) = held.glob(f"{starts}.*.csv")
        fill(sheet, {0: said})


def _hand_in(_: Server, folder: Path) -> None:
    for path in sorted((folder / "held").glob("*.csv")):
        shutil.move(path, folder / "inbox" / path.name)


STARTS = {
    "new": Start(None, lambda _, folder: new_hall(folder)),
    "more": Start("new", _more),
    "filled in": Start("more", _fill_in),
    "handed in": Start("filled in", _hand_in),
    "grown": Start("handed in", lambda server, folder: done(server, folder, RUN)),
}


@dataclass(frozen=True)
class Situation:
    """A facility, a command, and what is done at last, so that all is published. `own`: the share of the
    command's changes that are its own; those after them are those of any run."""

    start: str
    command: tuple[str, ...]
    last: tuple[str, ...] = ()
    own: float = 1.0


SITUATIONS = {
    "intake of the first files": Situation("new", ("intake", HERE)),
    "intake of more": Situation("more", ("intake", HERE)),
    "the first run": Situation("new", RUN),
    "a second run": Situation("more", RUN),
    "answers": Situation("filled in", ("answers", HERE)),
    "sheets in the inbox": Situation("handed in", ("intake", HERE)),
    "an alias": Situation("more", ("alias", HERE, "Nobody", "a04")),
    "rebuild": Situation("grown", ("rebuild", HERE, *VALID_ON), own=0.3),
    "forgetting": Situation("grown", ("forget", HERE, "a02", "--yes"), RUN, own=0.35),
}


class Facilities:
    """The facilities, each made once for all test processes (`shared`: see the conftest of end_to_end)."""

    def __init__(self, server: Server, shared: Callable[[str, Callable[[Path], None]], Path]) -> None:
        self._server, self._shared = server, shared

    def start(self, name: str) -> Path:
        """A facility as it stands before; only to be copied."""
        start = STARTS[name]

        def make(folder: Path) -> None:
            if start.of is not None:
                copy_of(self.start(start.of), folder / "facility")
            start.make(self._server, folder / "facility")

        return self._shared(f"before-{name}".replace(" ", "-"), make) / "facility"

    def end(self, name: str) -> Path:
        """A facility as a command left it that nobody disturbed; only to be read."""
        situation = SITUATIONS[name]

        def make(folder: Path) -> None:
            copy_of(self.start(situation.start), folder / "facility")
            for command in (situation.command, situation.last):
                if command:
                    done(self._server, folder / "facility", command)

        return self._shared(f"after-{name}".replace(" ", "-"), make) / "facility"

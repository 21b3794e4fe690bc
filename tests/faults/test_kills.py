"""Kill -9 at any instant, run again: every table is as if nothing had happened.

Each test kills the command of a situation a number of times, at places that its seed chooses among all
changes that the undisturbed command makes to the folder, or at a moment (from outside), or tears what was
written last, as a power cut does. The command is killed again while it mends that, a few times; then it is
let go, and what it leaves must be what nobody disturbed leaves: the warehouse, the archive, the inbox, the
sheets, the config, all that is published, and no file more.
"""

from __future__ import annotations

import random
import shutil
from collections import Counter
from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path

import pytest

from tests.end_to_end.runs import copy_of
from tests.faults.compare import State, differences, everything, taken_in
from tests.faults.server import Ended, Server
from tests.faults.situations import SITUATIONS, Facilities, do

MOST_IN_A_ROW = 9
# Situation -> how many kills, in how many tests.
KILLS = {
    "intake of the first files": (48, 2),
    "intake of more": (48, 2),
    "the first run": (10, 1),
    "a second run": (18, 2),
    "answers": (26, 1),
    "sheets in the inbox": (26, 1),
    "an alias": (12, 1),
    "rebuild": (7, 1),
    "forgetting": (7, 1),
}
TESTS = [
    (name, kills // tests, seed) for name, (kills, tests) in KILLS.items() for seed in range(1, tests + 1)
]


@dataclass
class Killer:
    """Kills the command of a situation until `wanted` kills are made. `broken`: see `Server.do`."""

    server: Server
    facilities: Facilities
    name: str
    seed: int
    scratch: Path
    broken: str | None = None
    kills: int = 0
    fell: Counter[str] = field(default_factory=Counter)

    def __post_init__(self) -> None:
        self.situation = SITUATIONS[self.name]
        self.chance = random.Random(f"{self.name} {self.seed}")
        self.start = self.facilities.start(self.situation.start)
        self.published = "intake" not in self.situation.command
        self.wanted = self.state(self.facilities.end(self.name))
        self.points, self.seconds = self._points_of_the_undisturbed()

    def state(self, folder: Path) -> State:
        return everything(folder) if self.published else taken_in(folder)

    def until(self, wanted: int) -> Iterator[list[str]]:
        """After each row of kills: what is not as it should be."""
        while self.kills < wanted:
            folder = copy_of(self.start, self.scratch / "facility")
            story = []
            for _ in range(min(MOST_IN_A_ROW, wanted - self.kills)):
                ended = self._disturbed(folder)
                if ended is None:
                    break
                story.append(ended.fell or "at a moment")
            said = self._let_go(folder)
            found = [*said, *differences(self.state(folder), self.wanted)]
            yield [*found, *(f"  killed: {point}" for point in story)] if found else []
            shutil.rmtree(folder)

    def _disturbed(self, folder: Path) -> Ended | None:
        """The command, killed; None where it was done before."""
        way = self.chance.choices(("point", "torn", "moment"), (10, 2, 2))[0]
        reach = self.chance.choice((1, 3, 5)) / self.situation.own
        if way == "moment":
            how: dict[str, object] = {"after": self.chance.uniform(0.01, self.seconds / reach)}
        elif way == "torn":
            at = self.chance.randint(1, max(1, int(self.points["fsync"] / reach)))
            how = {"at": at, "only": ["fsync"], "action": "torn"}
        else:
            how = {"at": self.chance.randint(1, int(self.points.total() / reach))}
        ended = do(self.server, folder, self.situation.command, broken=self.broken, **how)
        if not ended.killed:
            return None
        self.kills += 1
        self.fell[f"{way}: {(ended.fell or 'at a moment').split()[0]}"] += 1
        return ended

    def _let_go(self, folder: Path) -> list[str]:
        """The command, undisturbed at last; what it says where it does not end well."""
        ended = do(self.server, folder, self.situation.command, broken=self.broken)
        # Who is forgotten already is nobody to be forgotten.
        gone = self.situation.command[0] == "forget" and ended.status == 2
        said = [] if ended.status == 0 or gone else [ended.err]
        if self.situation.last:
            last = do(self.server, folder, self.situation.last)
            said += [] if last.status == 0 else [last.err]
        return said

    def _points_of_the_undisturbed(self) -> tuple[Counter[str], float]:
        folder = copy_of(self.start, self.scratch / "undisturbed")
        ended = do(self.server, folder, self.situation.command, broken=self.broken)
        assert ended.status == 0, ended.err
        shutil.rmtree(folder)
        return ended.counts, ended.seconds


def test_enough_is_killed():
    assert sum(kills for _, kills, _ in TESTS) >= 200


@pytest.mark.parametrize(("name", "kills", "seed"), TESTS)
def test_killed_anywhere_it_ends_as_undisturbed(
    name: str, kills: int, seed: int, server: Server, facilities: Facilities, tmp_path: Path
):
    killer = Killer(server, facilities, name, seed, tmp_path)
    for different in killer.until(kills):
        assert not different, "\n".join(different)
    assert killer.kills == kills
    print(f"{name}, seed {seed}: {kills} kills of {killer.points.total()} points: {dict(killer.fell)}")


@pytest.mark.parametrize(
    ("name", "broken"),
    [
        ("intake of more", "no_transaction"),
        ("intake of the first files", "inbox_first"),
        ("a second run", "stamp_first"),
    ],
)
def test_a_pipeline_that_is_broken_on_purpose_is_caught(
    name: str, broken: str, server: Server, facilities: Facilities, tmp_path: Path
):
    killer = Killer(server, facilities, name, 1, tmp_path, f"tests.faults.broken:{broken}")
    # Undisturbed it does what it should: only who kills it sees.
    folder = copy_of(killer.start, tmp_path / "alone")
    assert do(server, folder, killer.situation.command, broken=killer.broken).status == 0
    assert differences(killer.state(folder), killer.wanted) == []
    assert any(killer.until(30))

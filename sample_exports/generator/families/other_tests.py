"""Other tests: broad jumps, grip, a piece on the ergometer and lifted maxima, written down at tests-1."""

from collections.abc import Callable, Iterator
from datetime import date, time, timedelta

import numpy as np

from ..draw import fixed, stream
from ..export import Drop, Export
from ..faults.base import Act, Book, Fault, Plan, hold
from ..levels import Level, form
from ..people import Roster
from ..schedule import Diary, Visit
from ..spec import Name, Number, Row, Spec, Stamp, Text, UnitOf

DAYS = (date(2025, 9, 18), date(2025, 11, 6), date(2025, 12, 11), date(2026, 1, 22))
EVERYBODY = ("rowing", "handball", "hockey", "track cycling")
POUND = 0.45359237

_RESULT = Number(
    "Result",
    "value",
    by="test",
    by_quantity={
        "broad_jump": ("ft_in", 1),
        "grip_force": ("kgf", 1),
        "row_2000_m": ("clock", 1),
        "back_squat_max": ("lb", 0),
        "bench_press_max": ("kg", 1),
    },
)
_CHANGED_RESULT = Number(
    "wynik",
    "value",
    by="test",
    by_quantity={
        "broad_jump": ("cm", 1),
        "grip_force": ("N", 0),
        "row_2000_m": ("s", 2),
        "back_squat_max": ("kg", 2),
        "bench_press_max": ("lb", 1),
    },
)

SHOWS = {
    "tests-1": "a line a result with its unit: feet and inches, kilograms of force, minutes and seconds, "
    "pounds; the academy's own tests, declared in config/metrics.toml",
}
SPECS = {
    "tests-1": Spec(
        layout="tests-1-results",
        family="other_tests",
        device="tests-1",
        newline="\n",
        match=("Who", "Test", "Result", "Unit"),
        columns=(
            Stamp("Day", "%d %m %Y"),
            Name("Who", "last_first"),
            Text("Test", "test"),
            Text("Try no", "trial"),
            Text("Hand", "side"),
            _RESULT,
            UnitOf("Unit", _RESULT),
        ),
    ),
}
CHANGED = {
    "tests-1": Spec(
        layout="tests-1-results-changed",
        family="other_tests",
        device="tests-1",
        encoding="utf-16",
        delimiter=";",
        decimal=",",
        null_word="brak",
        match=("kto", "wynik", "jednostka"),
        columns=(
            UnitOf("jednostka", _CHANGED_RESULT),
            _CHANGED_RESULT,
            Text("strona", "side", {"left": "lewa", "right": "prawa"}),
            Text("próba", "trial"),
            Text("sprawdzian", "test"),
            Name("kto"),
            Stamp("data", "%Y/%m/%d"),
        ),
    ),
}


def _row(visit: Visit, test: str, trial: int, value: float, **facts: str) -> Row:
    """A result [SI]."""
    return Row(
        visit.athlete.athlete_id, visit.next(20), {"test": test, "trial": trial, **facts}, {"value": value}
    )


def _broad_jump(visit: Visit, level: Level, share: float, rng: np.random.RandomState) -> Iterator[Row]:
    """Two broad jumps."""
    for trial in (1, 2):
        reach = (0.75 + 4.4 * level.jump_m * share) * (1 + 0.015 * rng.normal())
        yield _row(visit, "broad_jump", trial, reach)


def _grip(visit: Visit, level: Level, share: float, rng: np.random.RandomState) -> Iterator[Row]:
    """Two tries a hand."""
    for side, lean in (("left", 0.97), ("right", 1.0)):
        for trial in (1, 2):
            force = 5.6 * level.mass_kg * share * lean * (1 + 0.03 * rng.normal())
            yield _row(visit, "grip_force", trial, force, side=side)


def _ergometer(visit: Visit, level: Level, share: float, rng: np.random.RandomState) -> Iterator[Row]:
    """One piece of 2000 m."""
    male = visit.athlete.sex == "male"
    seconds = (386.0 if male else 437.0) * (80.0 / level.mass_kg if male else 68.0 / level.mass_kg) ** 0.22
    yield _row(visit, "row_2000_m", 1, seconds / share**0.33 * (1 + 0.004 * rng.normal()))


def _maxima(visit: Visit, level: Level, share: float, rng: np.random.RandomState) -> Iterator[Row]:
    """The heaviest squat, to 5 lb, and bench press, to 2.5 kg."""
    male = visit.athlete.sex == "male"
    strong = level.mass_kg * share * (0.93 + 0.14 * fixed(visit.athlete.athlete_id, "strength"))
    squat = strong * (1.75 if male else 1.40) * (1 + 0.015 * rng.normal())
    bench = strong * (1.15 if male else 0.75) * (1 + 0.015 * rng.normal())
    yield _row(visit, "back_squat_max", 1, 5 * POUND * round(squat / (5 * POUND)))
    yield _row(visit, "bench_press_max", 1, 2.5 * round(bench / 2.5))


def _results(visit: Visit, level: Level, rng: np.random.RandomState) -> Iterator[Row]:
    """What an athlete of this sport and age is tested in; nothing maximal in rehabilitation."""
    sport, age = visit.athlete.on(visit.day, "sport"), visit.athlete.age(visit.day)
    share = form(level, visit.day, visit.earlier, visit.status)
    if visit.status == "rehab":
        return
    if sport in ("handball", "hockey"):
        yield from _broad_jump(visit, level, share, rng)
        return
    if sport == "rowing":
        yield from _grip(visit, level, share, rng)
        yield from _ergometer(visit, level, share, rng)
    if age >= 18:
        yield from _maxima(visit, level, share, rng)


def drops(seed: int, roster: Roster, levels: dict[str, Level]) -> Iterator[Drop]:
    """A file a round of tests."""
    diary = Diary("tests-1")
    for day in DAYS:
        rows: list[Row] = []
        for visit in diary.visits(roster, day, EVERYBODY, time(15, 0)):
            rng = stream(seed, "tests-1", visit.athlete.athlete_id, str(day))
            rows += _results(visit, levels[visit.athlete.athlete_id], rng)
        yield Drop("tests-1", f"results_{day + timedelta(days=1)}.csv", rows)


def _unit_place(spec: Spec) -> int:
    """The column of units."""
    return next(at for at, column in enumerate(spec.columns) if isinstance(column, UnitOf))


def _rewritten(test: str, place: Callable[[Spec], int], text: str, code: str, title: str, does: str) -> Act:
    """Another text in a cell of the fourth line of `test`, which is held; `place` finds the column."""

    def act(book: Book, export: Export, roster: Roster) -> list[Fault]:
        lines = [line for line in export.data() if line.row and line.row.facts["test"] == test]
        line = [line for line in lines if not line.damaged][3]
        line.cells[place(export.spec)] = text
        return [Fault(title, export.path, hold(line, code), code, does, text)]

    return act


_UNDECLARED = _rewritten(
    "broad_jump",
    lambda spec: spec.at("test"),
    "sit_and_reach",
    "undeclared_test",
    "a test that nobody declared",
    "holds the line; `[other_tests.sit_and_reach]` in config/metrics.toml and `yardmark retry` release it",
)
_WRONG_KIND = _rewritten(
    "grip_force",
    _unit_place,
    "kg",
    "unknown_unit",
    "a force in a unit of mass",
    "holds the line: the test is declared in N, and a mass is no force",
)
_NO_CLOCK = _rewritten(
    "row_2000_m",
    lambda spec: spec.at("value"),
    "6:72.4",
    "not_a_number",
    "72 seconds past a minute",
    "holds the line: no clock shows this",
)
FAULTS = (
    Plan("tests-1/results_2025-11-07.csv", _UNDECLARED, (20,)),
    Plan("tests-1/results_2025-11-07.csv", _WRONG_KIND, (54,)),
    Plan("tests-1/results_2025-12-12.csv", _NO_CLOCK, (19,)),
)

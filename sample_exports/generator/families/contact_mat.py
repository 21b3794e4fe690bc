"""Contact mat: mat-1 for everybody, mat-2 for drop jumps and push-up flights of some squads."""

from collections.abc import Iterator
from datetime import date, time, timedelta

import numpy as np

from ..draw import fixed, stream
from ..export import Drop
from ..faults.base import Plan
from ..faults.cells import misspelt_name, not_in_map, out_of_range, shown, stranger, untold, wrong_clock
from ..faults.lines import bad_bytes, blank_lines
from ..faults.people import previous_still_selected
from ..faults.versions import changed_at_source, doubled_line, key_conflict, relabelled, superseding
from ..levels import Level, form, loaded_share
from ..people import Roster
from ..schedule import BALL_SPORTS, WATER_AND_TRACK, Diary, Visit
from ..spec import Constant, Filler, Name, Number, Row, Spec, Stamp, Text

G = 9.80665  # m/s2, standard acceleration of free fall (ISO 80000-3)
MAT_1_DAYS = ("2025-09-08", "2025-09-29", "2025-10-20", "2025-11-10", "2025-12-01", "2026-01-12")
MAT_2_DAYS = (date(2025, 9, 24), date(2025, 10, 22), date(2025, 11, 19), date(2026, 1, 21))
LOADS_KG = {"male": (20.0, 40.0, 60.0), "female": (15.0, 30.0, 45.0)}
HEIGHT_SHARE = {"countermovement_jump": 1.0, "squat_jump": 0.91, "drop_jump": 0.86, "repeated_hops": 0.60}


def _warmth(row: Row) -> str:
    """What the mat says of its temperature."""
    return str(15 + int(8 * fixed(str(row.at.date()), "warmth")))


_JUMPS = {
    "countermovement_jump": "CMJ",
    "squat_jump": "SJ",
    "drop_jump": "DJ",
    "repeated_hops": "HOPS",
}
_SPANISH = {
    "drop_jump": "salto desde cajón",
    "push_up_flight": "flexión con vuelo",
    "countermovement_jump": "salto vertical",
}

SHOWS = {
    "mat-1": "a line a jump; milliseconds; countermovement, squat, drop, loaded and one-leg jumps, hops",
    "mat-2": 'UTF-16, tabs, decimal comma, "Last, First", no seconds; drop jumps and push-up flights',
}
SPECS = {
    "mat-1": Spec(
        layout="mat-1-jumps",
        family="contact_mat",
        device="mat-1",
        newline="\n",
        match=("Athlete", "Recorded", "Flight (ms)"),
        columns=(
            Name("Athlete"),
            Stamp("Recorded", "%Y-%m-%d %H:%M:%S"),
            Text("Jump", "test", _JUMPS),
            Text("Try", "trial"),
            Text("Hop", "hop"),
            Text("Legs", "leg", {"both": "2", "left": "L", "right": "R"}),
            Text("Hands", "hands", {"hips": "on hips", "free": "free"}),
            Number("Flight (ms)", "flight_time_s", "ms", 0),
            Number("Contact (ms)", "contact_time_s", "ms", 0),
            Number("Box (cm)", "drop_height_m", "cm", 0),
            Number("Extra (kg)", "added_load_kg", "kg", 1),
            Text("Call", "mark", {"ok": "count", "warm_up": "practice", "failed": "no count"}),
            Filler("Mat temp (C)", _warmth),
        ),
    ),
    "mat-2": Spec(
        layout="mat-2-vuelos",
        family="contact_mat",
        device="mat-2",
        encoding="utf-16",
        delimiter="\t",
        decimal=",",
        match=("Persona", "Ejercicio", "Vuelo"),
        constants=(Constant("added_load_kg", 0.0, "kg"),),
        columns=(
            Stamp("Fecha", "%d-%m-%Y"),
            Stamp("Hora", "%H:%M"),
            Name("Persona", "last_first"),
            Text("Ejercicio", "test", _SPANISH),
            Text("Intento", "trial"),
            Number("Cajón", "drop_height_m", "cm", 1),
            Number("Contacto", "contact_time_s", "s", 3),
            Number("Vuelo", "flight_time_s", "s", 3),
            Text("Manos", "hands", {"hips": "cadera", "floor": "suelo"}),
            Text("Pie", "leg", {"both": "ambos"}),
            Text("Estado", "mark", {"ok": "bien", "warm_up": "ensayo", "failed": "nulo"}),
        ),
    ),
}
CHANGED = {
    "mat-1": Spec(
        layout="mat-1-jumps-changed",
        family="contact_mat",
        device="mat-1",
        encoding="cp1252",
        delimiter=";",
        decimal=",",
        null_word="--",
        match=("Luftzeit", "Springer"),
        columns=(
            Filler("Wärme", _warmth),
            Text("Urteil", "mark", {"ok": "gültig", "warm_up": "Probe", "failed": "ungültig"}),
            Number("Zusatz (lb)", "added_load_kg", "lb", 2),
            Number("Kasten (in)", "drop_height_m", "in", 2),
            Number("Boden", "contact_time_s", "s", 4),
            Number("Luftzeit", "flight_time_s", "s", 4),
            Text("Hände", "hands"),
            Text("Bein", "leg", {"both": "beide", "left": "links", "right": "rechts"}),
            Text("Nr", "trial"),
            Text("Hüpfer", "hop"),
            Text("Sprung", "test"),
            Stamp("Tag", "%d.%m.%Y"),
            Stamp("Uhrzeit", "%H:%M:%S"),
            Name("Springer", "last_first"),
        ),
    ),
    "mat-2": Spec(
        layout="mat-2-vuelos-changed",
        family="contact_mat",
        device="mat-2",
        match=("airborne", "grounded"),
        constants=(Constant("added_load_kg", 0.0, "kg"),),
        method_version="3.0",
        newline="\n",
        columns=(
            Number("airborne", "flight_time_s", "ms", 1),
            Number("grounded", "contact_time_s", "ms", 1),
            Number("step", "drop_height_m", "ft", 3),
            Text("task", "test", {test: test.replace("_", " ") for test in _SPANISH}),
            Text("no", "trial"),
            Text("arms", "hands"),
            Text("feet", "leg"),
            Text("state", "mark"),
            Name("who", "id"),
            Stamp("at", "%m/%d/%Y %H:%M"),
        ),
    ),
}


def flight_of(height_m: float) -> float:
    """Flight time [s] of a jump of `height_m`: h = g t2 / 8."""
    return float(np.sqrt(8 * height_m / G))


class _Jumper:
    """An athlete on the mat on one day: makes the rows of a test, one after the other."""

    def __init__(self, visit: Visit, level: Level, rng: np.random.RandomState) -> None:
        self.visit, self.level, self.rng = visit, level, rng
        self.share = form(level, visit.day, visit.earlier, visit.status) * (1 + 0.03 * rng.normal())

    def _row(self, test: str, trial: int, wait: int, values: dict[str, float], **facts: str | int) -> Row:
        said: dict[str, str | int] = {
            "test": test,
            "trial": trial,
            "leg": "both",
            "hands": "hips",
            "mark": "ok",
        }
        unloaded = {"added_load_kg": 0.0}
        return Row(self.visit.athlete.athlete_id, self.visit.next(wait), said | facts, unloaded | values)

    def flight(self, test: str, share: float = 1.0) -> float:
        """The flight time [s] of the next trial."""
        height = self.level.jump_m * HEIGHT_SHARE[test] * self.share * share
        return flight_of(height * (1 + 0.025 * self.rng.normal()))

    def contact(self, share: float = 1.0) -> float:
        """The contact time [s] of the next trial."""
        return self.level.contact_s * share * (1 + 0.04 * self.rng.normal())

    def counter(self) -> Iterator[Row]:
        """Three countermovement jumps; now and then one more as practice, or one that does not count."""
        warm, void = self.visit.chance("warm") < 0.05, self.visit.chance("void") < 0.04
        for trial in range(1, 4 + warm + void):
            mark = "warm_up" if warm and trial == 1 else "failed" if void and trial == 2 + warm else "ok"
            share = {"warm_up": 0.88, "failed": 0.75, "ok": 1.0}[mark]
            flight = self.flight("countermovement_jump", share)
            yield self._row("countermovement_jump", trial, 22, {"flight_time_s": flight}, mark=mark)

    def squat(self) -> Iterator[Row]:
        """Two squat jumps."""
        for trial in (1, 2):
            yield self._row("squat_jump", trial, 20, {"flight_time_s": self.flight("squat_jump")})

    def loaded(self, loads_kg: tuple[float, ...]) -> Iterator[Row]:
        """Two countermovement jumps a load on the shoulders; numbered on from 11, 21 and so on."""
        for number, load in enumerate(loads_kg, 1):
            share = loaded_share(self.level, load)
            for trial in (10 * number + 1, 10 * number + 2):
                values = {"flight_time_s": self.flight("countermovement_jump", share), "added_load_kg": load}
                yield self._row("countermovement_jump", trial, 20, values)

    def one_leg(self) -> Iterator[Row]:
        """Two jumps a leg."""
        for leg in ("left", "right"):
            for trial in (1, 2):
                values = {"flight_time_s": self.flight("countermovement_jump", 0.52)}
                yield self._row("countermovement_jump", trial, 15, values, leg=leg)

    def drop(self, heights_m: tuple[float, ...], wait: int, each: int) -> Iterator[Row]:
        """`each` drop jumps a box height, numbered through."""
        for trial, box in enumerate((height for height in heights_m for _ in range(each)), 1):
            values = {
                "flight_time_s": self.flight("drop_jump", 1 - 0.1 * abs(box - 0.3)),
                "drop_height_m": box,
            }
            yield self._row("drop_jump", trial, wait, values | {"contact_time_s": self.contact()})

    def hops(self) -> Iterator[Row]:
        """Ten hops in one trial, a row a hop, all with the time of the trial."""
        at_once = 25
        for hop in range(1, 11):
            values = {"flight_time_s": self.flight("repeated_hops", 0.75 if hop == 1 else 1.0)}
            values["contact_time_s"] = self.contact(0.9)
            yield self._row("repeated_hops", 1, at_once, values, hop=hop)
            at_once = 0

    def push_ups(self) -> Iterator[Row]:
        """Three push-up flights."""
        for trial in (1, 2, 3):
            share = (1 + (self.share - 1) / 2) * (1 + 0.05 * self.rng.normal())
            row = self._row(
                "push_up_flight", trial, 25, {"flight_time_s": self.level.push_up_s * share}, hands="floor"
            )
            del row.facts["leg"]
            yield row


def _mat_1(jumper: _Jumper, number: int) -> Iterator[Row]:
    """A visit to mat-1 in the round `number`, the first being 0."""
    yield from jumper.counter()
    if jumper.visit.status == "rehab":
        return
    if number % 2 == 0:
        yield from jumper.squat()
        return
    sport = jumper.visit.athlete.on(jumper.visit.day, "sport")
    if sport == "rowing" and jumper.visit.athlete.age(jumper.visit.day) >= 18:
        yield from jumper.loaded(LOADS_KG[jumper.visit.athlete.sex])
    elif sport == "hockey":
        yield from jumper.one_leg()
    elif sport == "handball":
        yield from jumper.drop((0.30,), 20, 2)
    elif sport == "track cycling":
        yield from jumper.hops()


def _mat_2(jumper: _Jumper) -> Iterator[Row]:
    """A visit to mat-2: handball players drop and push, junior rowers jump and push."""
    if jumper.visit.athlete.on(jumper.visit.day, "sport") == "handball":
        yield from jumper.drop((0.20, 0.30, 0.40), 30, 2)
    else:
        yield from jumper.counter()
    yield from jumper.push_ups()


def _on_mat_2(visit: Visit) -> bool:
    """Handball, and rowers under 18."""
    return visit.athlete.on(visit.day, "sport") == "handball" or visit.athlete.age(visit.day) < 18


def drops(seed: int, roster: Roster, levels: dict[str, Level]) -> Iterator[Drop]:
    """All files of both mats, with an all-history export each and a re-export."""
    days: dict[date, list[Row]] = {}
    diary = Diary("mat-1")
    for number, first in enumerate(map(date.fromisoformat, MAT_1_DAYS)):
        for sports, day in ((WATER_AND_TRACK, first), (BALL_SPORTS, first + timedelta(days=1))):
            days[day] = []
            for visit in diary.visits(roster, day, sports, time(17, 0)):
                rng = stream(seed, "mat-1", visit.athlete.athlete_id, str(day))
                days[day] += _mat_1(_Jumper(visit, levels[visit.athlete.athlete_id], rng), number)
            yield Drop("mat-1", f"{day}_jumps.csv", days[day])
    yield Drop("mat-1", "2025-10-02_all_jumps.csv", days[date(2025, 9, 8)] + days[date(2025, 9, 29)])
    yield Drop("mat-1", "2025-11-14_jumps_again.csv", list(days[date(2025, 11, 11)]))
    days, diary = {}, Diary("mat-2")
    for day in MAT_2_DAYS:
        days[day] = []
        for visit in diary.visits(roster, day, ("handball", "rowing"), time(16, 0)):
            if _on_mat_2(visit):
                rng = stream(seed, "mat-2", visit.athlete.athlete_id, str(day))
                days[day] += _mat_2(_Jumper(visit, levels[visit.athlete.athlete_id], rng))
        yield Drop("mat-2", f"vuelos_{day}.csv", days[day])
    yield Drop("mat-2", "vuelos_2025-10-31_todo.csv", days[MAT_2_DAYS[0]] + days[MAT_2_DAYS[1]])


FAULTS = (
    Plan(
        "mat-1/2026-01-12_jumps.csv",
        previous_still_selected("countermovement_jump", "flight_time_s", 1.22, 2),
        (4,),
    ),
    Plan("mat-1/2025-10-20_jumps.csv", misspelt_name("a10", "Ines Carvalhau"), (1,)),
    Plan("mat-1/2025-10-20_jumps.csv", bad_bytes(), (10,)),
    Plan("mat-1/2025-10-20_jumps.csv", blank_lines(), (10,)),
    Plan("mat-1/2025-10-21_jumps.csv", out_of_range("flight_time_s", 5.2), (27,)),
    Plan("mat-1/2025-10-21_jumps.csv", doubled_line(), (15,)),
    Plan("mat-1/2025-11-10_jumps.csv", key_conflict("flight_time_s", 1.04), (16,)),
    Plan("mat-1/2025-11-14_jumps_again.csv", superseding("flight_time_s", 1.03), (16,)),
    Plan("mat-1/2025-11-14_jumps_again.csv", changed_at_source("flight_time_s", 0.60), (16,)),
    Plan("mat-1/2025-12-01_jumps.csv", relabelled("a04", "squat_jump", 2, "countermovement_jump", 4), (22,)),
    Plan("mat-2/vuelos_2025-11-19.csv", not_in_map("test", "salto con giro"), (20,)),
    Plan(
        "mat-1/2025-09-30_jumps.csv",
        stranger("Visitante", "a guest", "guest", "holds the line: the name is on the list of guests"),
        (5,),
    ),
    Plan(
        "mat-1/2025-10-20_jumps.csv",
        shown(
            "a jump of somebody in rehab",
            "not_fully_available",
            "loads it and leaves its session out of norms",
            lambda row: row.athlete_id == "a08",
        ),
        (55,),
    ),
    Plan(
        "mat-2/vuelos_2025-09-24.csv",
        shown("decimal comma, tabs, UTF-16", "", "reads it as the layout says"),
        (9, 10),
    ),
    Plan("mat-2/vuelos_2026-01-21.csv", wrong_clock(2000), (13,)),
    Plan(
        "mat-2/vuelos_2026-01-21.csv",
        untold(
            "drop_height_m",
            "box_height_unknown",
            "a drop jump without the height of its box",
            "loads it and compares it with nothing else",
            lambda row: row.facts["test"] == "drop_jump",
        ),
        (31,),
    ),
)

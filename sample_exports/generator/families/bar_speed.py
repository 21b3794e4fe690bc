"""Bar speed: rack-1 writes a file a day, rack-2 the whole history once a month."""

from collections.abc import Iterator
from dataclasses import dataclass
from datetime import date, time, timedelta

import numpy as np

from ..draw import fixed, stream
from ..export import Drop, Export, remade
from ..faults.base import Act, Book, Fault, Plan, full_line, place_in
from ..faults.cells import misspelt_name, not_in_map, out_of_range, shown
from ..faults.versions import superseding
from ..levels import Level, form
from ..people import Roster
from ..schedule import Diary, Visit
from ..spec import Constant, Filler, Name, Number, Preamble, Row, Spec, Stamp, Text

POUND = 0.45359237
MONDAYS = tuple(
    date(2025, 9, 8) + timedelta(weeks=week) for week in range(21) if week not in (15, 16)
)  # no lifting around the turn of the year
RACK_2_EXPORTS = (
    date(2025, 10, 3),
    date(2025, 10, 31),
    date(2025, 11, 28),
    date(2025, 12, 19),
    date(2026, 1, 30),
)


@dataclass(frozen=True)
class Lift:
    """A lift as the academy does it: its loads a sex [kg], and how velocity falls with load."""

    name: str
    variant: str
    of_mass: dict[str, float]  # the maximum as a share of body mass
    loads_kg: dict[str, tuple[float, float]]
    at_maximum_m_s: float
    of_stature: float  # way of the load


_SQUAT = Lift(
    "back_squat",
    "parallel",
    {"male": 1.75, "female": 1.40},
    {"male": (60.0, 100.0), "female": (40.0, 65.0)},
    0.30,
    0.33,
)
_BENCH = Lift(
    "bench_press",
    "touch and go",
    {"male": 1.15, "female": 0.75},
    {"male": (40.0, 60.0), "female": (25.0, 35.0)},
    0.17,
    0.22,
)
_RACK_2_SQUAT = Lift(
    "back_squat",
    "parallel",
    {"male": 1.85, "female": 1.55},
    {"male": (135 * POUND, 225 * POUND), "female": (95 * POUND, 155 * POUND)},
    0.30,
    0.33,
)


def _sensor(row: Row) -> str:
    """What the device says of its cord."""
    return str(80 + int(20 * fixed(str(row.at), "cord")))


_LIFTS = {"back_squat": "Back squat", "bench_press": "Bench press"}
_RACK_2_LIFTS = {"back_squat": "Kniebeuge", "pull_up": "Klimmzug"}
_SIDES = (Constant("side", "both"), Constant("implement_count", 1))

SHOWS = {
    "rack-1": "a file a day, a line a repetition; the implement above the header; mean, propulsive and peak "
    "velocity; sets not meant to be fast; a set of six each month",
    "rack-2": "a monthly export of the whole history; pounds, decimal comma, times without seconds; chains; "
    "assisted pull-ups with a negative load",
}
SPECS = {
    "rack-1": Spec(
        layout="rack-1-lifts",
        family="bar_speed",
        device="rack-1",
        match=("Lifter", "Exercise", "MV (m/s)"),
        heading=("Lifts of the day",),
        preamble=(Preamble("Implement", "implement", words={"barbell": "20 kg bar"}),),
        constants=(*_SIDES, Constant("accommodating", "none")),
        columns=(
            Name("Lifter"),
            Stamp("Lifted at", "%Y-%m-%dT%H:%M:%S"),
            Text("Exercise", "lift", _LIFTS),
            Text("How", "variant"),
            Number("On the bar (kg)", "load_kg", "kg", 1),
            Text("Set", "set"),
            Text("Rep", "rep"),
            Number("MV (m/s)", "mean_velocity_m_s", "m/s", 2),
            Number("MPV (m/s)", "propulsive_velocity_m_s", "m/s", 2),
            Number("PV (m/s)", "peak_velocity_m_s", "m/s", 2),
            Number("Way (cm)", "range_of_motion_m", "cm", 1),
            Text("Cue", "intent", {"max": "fast", "other": "controlled"}),
            Filler("Cord (%)", _sensor),
        ),
    ),
    "rack-2": Spec(
        layout="rack-2-history",
        family="bar_speed",
        device="rack-2",
        encoding="cp1252",
        delimiter=";",
        decimal=",",
        null_word="-",
        newline="\n",
        method_version="4",
        match=("Übung", "Last (lb)", "v_mittel"),
        constants=(*_SIDES, Constant("intent", "max")),
        columns=(
            Stamp("Tag", "%d.%m.%Y"),
            Stamp("Zeit", "%H:%M"),
            Name("Fahrer", "last_first"),
            Text("Übung", "lift", _RACK_2_LIFTS),
            Text("Gerät", "implement", {"barbell": "Stange", "bodyweight_machine": "Gegengewicht"}),
            Text("Ketten", "accommodating", {"none": "nein", "chains": "ja"}),
            Number("Last (lb)", "load_kg", "lb", 0),
            Text("Satz", "set"),
            Text("Wdh", "rep"),
            Number("v_mittel", "mean_velocity_m_s", "m/s", 3),
            Number("v_max", "peak_velocity_m_s", "m/s", 3),
        ),
    ),
}
CHANGED = {
    "rack-1": Spec(
        layout="rack-1-lifts-changed",
        family="bar_speed",
        device="rack-1",
        encoding="utf-16",
        delimiter="\t",
        decimal=",",
        null_word="x",
        newline="\n",
        match=("quién", "media", "propulsiva"),
        preamble=(Preamble("Barra", "implement"),),
        constants=(*_SIDES, Constant("accommodating", "none")),
        columns=(
            Filler("cuerda", _sensor),
            Text("intención", "intent"),
            Number("recorrido", "range_of_motion_m", "in", 2),
            Number("pico", "peak_velocity_m_s", "km/h", 2),
            Number("propulsiva", "propulsive_velocity_m_s", "km/h", 2),
            Number("media", "mean_velocity_m_s", "km/h", 2),
            Text("rep.", "rep"),
            Text("serie", "set"),
            Number("carga", "load_kg", "lb", 2),
            Text("profundidad", "variant"),
            Text("ejercicio", "lift", {"back_squat": "sentadilla", "bench_press": "press de banca"}),
            Stamp("fecha", "%d/%m/%Y"),
            Stamp("hora", "%I:%M:%S %p"),
            Name("quién", "last_first"),
        ),
    ),
    "rack-2": Spec(
        layout="rack-2-history-changed",
        family="bar_speed",
        device="rack-2",
        bom=True,
        match=("rider no", "kilos"),
        constants=(*_SIDES, Constant("intent", "max")),
        columns=(
            Number("fastest", "peak_velocity_m_s", "m/s", 2),
            Number("average", "mean_velocity_m_s", "m/s", 2),
            Number("kilos", "load_kg", "kg", 2),
            Text("rep no", "rep"),
            Text("set no", "set"),
            Text("chains", "accommodating"),
            Text("with", "implement"),
            Text("movement", "lift"),
            Name("rider no", "id"),
            Stamp("on", "%Y%m%d %H%M"),
        ),
    ),
}


class _Lifter:
    """An athlete at the rack on one day: makes the repetitions of a set, one after the other."""

    def __init__(self, visit: Visit, level: Level, rng: np.random.RandomState) -> None:
        self.visit, self.level, self.rng = visit, level, rng
        # Strength grows more than jumping does, and lifters differ.
        self.share = form(level, visit.day, visit.earlier, visit.status) ** 1.5
        self.share *= 0.93 + 0.14 * fixed(visit.athlete.athlete_id, "strength")
        self.sets = 0

    def velocity(self, lift: Lift, load_kg: float) -> float:
        """Mean velocity [m/s] of a fresh repetition: 1.3 without load, `at_maximum_m_s` at the maximum."""
        maximum = self.level.mass_kg * lift.of_mass[self.visit.athlete.sex] * self.share
        slope = (1.3 - lift.at_maximum_m_s) / maximum
        return max(lift.at_maximum_m_s - 0.1, 1.3 - slope * load_kg) * (1 + 0.02 * self.rng.normal())

    def set(
        self, lift: Lift, load_kg: float, reps: int, wait: tuple[int, int], loss: float = 0.015, **more: str
    ) -> Iterator[Row]:
        """A set of `reps`; `wait` is the time before it and between its repetitions [s]."""
        self.sets += 1
        fresh, way = self.velocity(lift, load_kg), lift.of_stature * self.level.stature_m
        slow = more.get("intent") == "other"
        for rep in range(1, reps + 1):
            mean = fresh * (1 - loss * (rep - 1)) * (1 + 0.025 * self.rng.normal()) * (0.7 if slow else 1.0)
            values = {
                "load_kg": load_kg,
                "mean_velocity_m_s": mean,
                "propulsive_velocity_m_s": mean * (1.03 + 0.04 * mean),
                "peak_velocity_m_s": mean * (1.55 + 0.05 * self.rng.rand()),
                "range_of_motion_m": way * (1 + 0.02 * self.rng.normal()),
            }
            facts: dict[str, str | int] = {"lift": lift.name, "set": self.sets, "rep": rep, "intent": "max"}
            facts |= {"variant": lift.variant}
            at = self.visit.next(wait[0] if rep == 1 else wait[1])
            yield Row(self.visit.athlete.athlete_id, at, facts | more, values)


def _rack_1(lifter: _Lifter, lift: Lift, with_six: bool) -> Iterator[Row]:
    """Two repetitions at each of two loads; now and then controlled; a set of six where the week has one."""
    light, heavy = lift.loads_kg[lifter.visit.athlete.sex]
    for load in (light, heavy):
        controlled = lifter.visit.chance("controlled", str(load)) < 0.04
        yield from lifter.set(lift, load, 2, (30, 4), intent="other" if controlled else "max")
    if with_six:
        yield from lifter.set(lift, light, 6, (45, 4), loss=0.04)


def _rack_2(lifter: _Lifter, friday: bool) -> Iterator[Row]:
    """Heavy squats on Tuesday; on Friday light ones, with chains for sprinters, and pull-ups of the women."""
    athlete, day = lifter.visit.athlete, lifter.visit.day
    light, heavy = _RACK_2_SQUAT.loads_kg[athlete.sex]
    chains = friday and athlete.on(day, "position") == "sprint"
    bar = {"implement": "barbell", "accommodating": "chains" if chains else "none"}
    for row in lifter.set(_RACK_2_SQUAT, light if friday else heavy, 2, (0, 0), **bar):
        del row.facts["variant"]
        yield row
    if friday and athlete.sex == "female":
        assisted = Lift("pull_up", "", {"female": 0.95}, {}, 0.30, 0.3)
        lifter.visit.next(60)
        machine = {"implement": "bodyweight_machine", "accommodating": "none"}
        for row in lifter.set(assisted, 0.0, 2, (0, 0), **machine):
            del row.facts["variant"]
            row.values["load_kg"] = -40 * POUND
            row.values["mean_velocity_m_s"] *= 0.55
            row.values["peak_velocity_m_s"] *= 0.55
            yield row


def _adults(diary: Diary, roster: Roster, day: date, sport: str, starts: time) -> Iterator[Visit]:
    """Visits of those of 18 and over who lift without restriction."""
    for visit in diary.visits(roster, day, (sport,), starts):
        if visit.athlete.age(day) >= 18 and visit.status != "rehab":
            yield visit


def _without(rows: list[Row], *columns: str) -> list[Row]:
    """Rows of a device that does not measure `columns`."""
    return [
        Row(row.athlete_id, row.at, row.facts, {k: v for k, v in row.values.items() if k not in columns})
        for row in rows
    ]


def drops(seed: int, roster: Roster, levels: dict[str, Level]) -> Iterator[Drop]:
    """A file a day of rack-1, and a file a month of rack-2 with all that was before."""
    first, second = Diary("rack-1"), Diary("rack-2")
    history: list[Row] = []
    exports = list(RACK_2_EXPORTS)
    for week, monday in enumerate(MONDAYS):
        for day, lift in ((monday, _SQUAT), (monday + timedelta(days=3), _BENCH)):
            rows: list[Row] = []
            for visit in _adults(first, roster, day, "rowing", time(18, 0)):
                rng = stream(seed, "rack-1", visit.athlete.athlete_id, str(day))
                lifter = _Lifter(visit, levels[visit.athlete.athlete_id], rng)
                rows += _rack_1(lifter, lift, lift is _SQUAT and week % 4 == 3)
            yield Drop("rack-1", f"{day}_lifts.csv", rows, {"implement": "barbell"})
        for day in (monday + timedelta(days=1), monday + timedelta(days=4)):
            rows = []
            for visit in _adults(second, roster, day, "track cycling", time(10, 0)):
                rng = stream(seed, "rack-2", visit.athlete.athlete_id, str(day))
                lifter = _Lifter(visit, levels[visit.athlete.athlete_id], rng)
                rows += _rack_2(lifter, day.weekday() == 4)
            history += _without(rows, "propulsive_velocity_m_s", "range_of_motion_m")
            if exports and day >= exports[0]:
                yield Drop("rack-2", f"history_{exports.pop(0)}.csv", list(history))


def _mean_above_peak() -> Act:
    """Mean and peak velocity stand in each other's column."""

    def act(book: Book, export: Export, roster: Roster) -> list[Fault]:
        old = full_line(export, 9)
        assert old.row is not None
        mean, peak = (old.row.values[name] for name in ("mean_velocity_m_s", "peak_velocity_m_s"))
        swapped = {**old.row.values, "mean_velocity_m_s": peak, "peak_velocity_m_s": mean}
        new = remade(export, old, roster, values=swapped)
        new.code, new.damaged = "mean_above_peak", True
        export.lines[place_in(export, old)] = new
        does = "loads the line, flags it and uses none of its velocities"
        written = new.cells[export.spec.at("athlete")]
        return [Fault("mean and peak velocity swapped", export.path, new, new.code, does, written)]

    return act


FAULTS = (
    Plan("rack-1/2025-10-06_lifts.csv", misspelt_name("a01", "Duarte Salvatera"), (1,)),
    Plan("rack-1/2025-10-20_lifts.csv", not_in_map("lift", "Front squat"), (20,)),
    Plan("rack-1/2025-11-13_lifts.csv", _mean_above_peak(), (47,)),
    Plan(
        "rack-1/2026-01-12_lifts.csv",
        out_of_range("load_kg", 999.0, "kg", "a number that stands for none was typed"),
        (56,),
    ),
    Plan("rack-2/history_2026-01-30.csv", superseding("load_kg", 4 / 3), (16,)),
    Plan(
        "rack-1/2025-09-18_lifts.csv",
        shown(
            "a repetition that was not meant to be fast",
            "not_max_intent",
            "loads it and leaves its velocity out of the session's",
            lambda row: row.facts["intent"] == "other",
        ),
        (46,),
    ),
    Plan(
        "rack-2/history_2025-10-03.csv",
        shown(
            "a squat with chains",
            "",
            "loads it into a series of its own",
            lambda row: row.facts["accommodating"] == "chains",
        ),
        (43,),
    ),
)

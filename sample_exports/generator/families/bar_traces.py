"""Bar traces: rack-3 writes a file a day with the height of the bar at 50 Hz, the sets below each other."""

from collections.abc import Iterator
from datetime import date, time

import numpy as np

from ..draw import fixed, stream
from ..export import Drop
from ..faults.base import Plan
from ..faults.cells import shown
from ..levels import Level, form
from ..people import Roster
from ..schedule import Diary, Visit
from ..spec import Constant, Name, Number, Row, Spec, Stamp, Text

HZ = 50
LIFTERS = ("forward", "midfield")
DAYS = (date(2025, 10, 2), date(2025, 12, 4))
SHARES = (0.35, 0.52, 0.68, 0.84)  # of the maximum: a set each
REPS = 2
SECONDS = 12  # of every trace, so that other numbers give the same lines
AT_MAXIMUM_M_S = 0.17
OF_MASS = {"male": 1.05, "female": 0.70}  # the maximum as a share of body mass
WAY_OF_STATURE = 0.21

SHOWS = {
    "rack-3": "a file a day, the height of the bar at 50 Hz in millimetres, a set after the other: taken off "
    "the hooks, two repetitions, put back; four loads",
}
SPECS = {
    "rack-3": Spec(
        layout="rack-3-sets",
        family="bar_traces",
        device="rack-3",
        newline="\n",
        match=("set begun", "t (s)", "height (mm)"),
        constants=(
            Constant("side", "both"),
            Constant("implement", "barbell"),
            Constant("implement_count", 1),
            Constant("accommodating", "none"),
            Constant("intent", "max"),
        ),
        columns=(
            Stamp("set begun", "%Y-%m-%d %H:%M:%S"),
            Name("who"),
            Text("lift", "lift", {"bench_press": "bench"}),
            Text("set", "set"),
            Number("kg", "load_kg", "kg", 1),
            Number("t (s)", "time_s", "s", 2),
            Number("height (mm)", "position_m", "mm", 0),
        ),
    ),
}
CHANGED = {
    "rack-3": Spec(
        layout="rack-3-sets-changed",
        family="bar_traces",
        device="rack-3",
        encoding="cp1252",
        delimiter=";",
        decimal=",",
        match=("Höhe", "Satz", "ms"),
        constants=(
            Constant("side", "both"),
            Constant("implement", "barbell"),
            Constant("implement_count", 1),
            Constant("accommodating", "none"),
            Constant("intent", "max"),
        ),
        columns=(
            Number("ms", "time_s", "ms", 0),
            Number("Höhe", "position_m", "m", 4),
            Number("Last (lb)", "load_kg", "lb", 2),
            Text("Satz", "set"),
            Text("Übung", "lift", {"bench_press": "Bankdrücken"}),
            Stamp("Beginn", "%d.%m.%Y %H:%M:%S"),
            Name("Heber", "last_first"),
        ),
    ),
}


def _moved(way_m: float, seconds: float) -> np.ndarray:
    """The way at each sample of a move that begins and ends at rest."""
    share = np.arange(1, round(seconds * HZ) + 1) / round(seconds * HZ)
    return way_m * (share - np.sin(2 * np.pi * share) / (2 * np.pi))


def _height(way_m: float, seconds: list[float]) -> np.ndarray:
    """Heights of a set: off the hooks, lowered and lifted once for each of `seconds`, back, and at rest."""
    moves = [(0.0, 0.8), (0.05, 0.6), (0.0, 1.0)]
    for one in seconds:
        moves += [(-way_m, 1.1), (way_m, one), (0.0, 0.6)]
    moves += [(0.0, 0.4), (-0.05, 0.5), (0.0, 0.6)]
    parts, at = [np.zeros(1)], 0.0
    for way, lasts in moves:
        parts.append(at + _moved(way, lasts))
        at += way
    height = np.concatenate(parts)
    return np.concatenate([height, np.full(SECONDS * HZ - height.size, at)])


def _sets(seed: int, visit: Visit, level: Level) -> Iterator[list[Row]]:
    """The sets of a visit, each as its samples."""
    rng = stream(seed, "rack-3", visit.athlete.athlete_id, str(visit.day))
    share = form(level, visit.day, visit.earlier, visit.status) * (
        0.94 + 0.12 * fixed(visit.athlete.athlete_id, "push")
    )
    maximum = level.mass_kg * OF_MASS[visit.athlete.sex] * share
    way = WAY_OF_STATURE * level.stature_m
    for number, of_maximum in enumerate(SHARES, 1):
        load = 2.5 * round(maximum * of_maximum / 2.5)
        speed = 1.3 - (1.3 - AT_MAXIMUM_M_S) * load / maximum
        seconds = [way / (speed * (1 + 0.02 * rng.normal())) for _ in range(REPS)]
        height = _height(way, seconds)
        height = 1.1 + height + 0.0004 * rng.normal(size=height.size)
        facts: dict[str, str | int] = {"lift": "bench_press", "set": number, "mark": "ok"}
        at = visit.next(150)
        true = {
            "repetitions": float(REPS),
            "range_of_motion_m": way,
            "mean_velocity_m_s": float(np.mean([way / one for one in seconds])),
        }
        yield [
            Row(
                visit.athlete.athlete_id,
                at,
                facts,
                {"load_kg": load, "time_s": sample / HZ, "position_m": float(one)},
                results=true,
            )
            for sample, one in enumerate(height)
        ]


def drops(seed: int, roster: Roster, levels: dict[str, Level]) -> Iterator[Drop]:
    """Two days of rack-3: adult hockey forwards and midfielders press."""
    diary = Diary("rack-3")
    for day in DAYS:
        rows: list[Row] = []
        for visit in diary.visits(roster, day, ("hockey",), time(11, 0)):
            who = visit.athlete
            if who.age(day) >= 18 and visit.status == "full" and who.on(day, "position") in LIFTERS:
                for samples in _sets(seed, visit, levels[who.athlete_id]):
                    rows += samples
        yield Drop("rack-3", f"{day}_sets.csv", sorted(rows, key=lambda row: row.at))


FAULTS = (
    Plan(
        "rack-3/2025-10-02_sets.csv",
        shown(
            "a bar that is taken off its hooks before the first repetition",
            "",
            "finds the repetitions, and takes neither that nor the way back for one",
            lambda row: True,
        ),
        (23,),
    ),
)

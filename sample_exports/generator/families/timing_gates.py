"""Timing gates: gates-1 writes a line a run with a column a split, gates-2 a line a gate."""

from collections.abc import Iterator
from dataclasses import replace
from datetime import date, time, timedelta

import numpy as np

from ..draw import fixed, stream
from ..export import Drop
from ..faults.base import Plan
from ..faults.cells import ambiguous_name, not_a_number, shown, splits_not_rising, untold
from ..faults.lines import comment_line, repeated_header, truncated
from ..faults.people import gate_too_near
from ..levels import Level, form
from ..people import Roster
from ..schedule import BALL_SPORTS, WATER_AND_TRACK, Diary, Visit
from ..spec import Constant, Filler, Name, Number, Preamble, Row, Spec, Stamp, Text, Wide

SPLITS = (5, 10, 20, 30)
CLOSER_SINCE = date(2025, 10, 1)  # from then on the start line was 0.3 m behind the first gate
GATES_1_DAYS = (
    date(2025, 9, 16),
    date(2025, 10, 14),
    date(2025, 11, 11),
    date(2025, 12, 9),
    date(2026, 1, 20),
)
# The second day is the Sunday on which summer time ended, six hours before.
GATES_2_DAYS = (date(2025, 9, 28), date(2025, 10, 26), date(2025, 11, 23), date(2026, 1, 11))


def _gates(row: Row) -> list[Row]:
    """A run as one row a gate."""
    return [
        replace(row, values={**row.values, "distance_m": float(distance), "split_time_s": seconds}, many={})
        for distance, seconds in row.many.items()
    ]


def _splits(headers: tuple[str, ...], unit: str, decimals: int) -> tuple[Wide, ...]:
    """The split columns of a wide export."""
    return tuple(
        Wide(header, "split_time_s", ("distance_m", distance), unit, decimals)
        for header, distance in zip(headers, SPLITS, strict=True)
    )


def _battery(row: Row) -> str:
    """What the device says of its battery."""
    return str(60 + int(40 * fixed(str(row.at), "battery")))


_START = Constant("start_offset_m", unit="m", dated=((None, 0.5), (CLOSER_SINCE, 0.3)))
_FACTS = (
    Constant("test", "linear_sprint"),
    Constant("start", "standing"),
    Constant("timing", "electronic"),
    _START,
)
_TESTS = {"linear_sprint": "straight", "flying_sprint": "flying", "change_of_direction": "turn"}

SHOWS = {
    "gates-1": "a line a run, a column a split; decimal comma, cp1252, wind and surface above the header; "
    "the start line moved from 0.5 to 0.3 m behind the first gate on 1 October 2025; under-15s run to 20 m",
    "gates-2": "a line a gate; yards and milliseconds, UTC epoch, names without accents, surface in the "
    "file's name; straight sprints, flying 10 m, turns a side; one day is the Sunday when summer time ended",
}
SPECS = {
    "gates-1": Spec(
        layout="gates-1-runs",
        family="timing_gates",
        device="gates-1",
        encoding="cp1252",
        delimiter=";",
        decimal=",",
        null_word="-",
        timezone="Europe/Lisbon",
        match=("Atleta", "Ensaio", "10 m"),
        heading=("Registo de corridas",),
        preamble=(
            Preamble("Piso", "surface", words={"track": "pista sintética", "hall": "pavilhão"}),
            Preamble("Vento", "wind_m_s", "m/s", 1),
        ),
        constants=_FACTS,
        columns=(
            Stamp("Data", "%d.%m.%Y"),
            Stamp("Hora", "%H:%M:%S"),
            Name("Atleta"),
            Text("Ensaio", "trial"),
            *_splits(("5 m", "10 m", "20 m", "30 m"), "s", 3),
            Text("Validação", "mark", {"ok": "válido", "warm_up": "aquecimento", "failed": "nulo"}),
            Filler("Bateria", _battery),
        ),
    ),
    "gates-2": Spec(
        layout="gates-2-gates",
        family="timing_gates",
        device="gates-2",
        method_version="2.1",
        null_word="-",
        newline="\n",
        comment="#",
        match=("stamp_ms", "gate_yd", "elapsed_ms"),
        filename=(("surface", r"_(?P<surface>[a-z]+)\.csv$"),),
        constants=(Constant("timing", "electronic"),),
        lines_of=_gates,
        columns=(
            Stamp("stamp_ms", "epoch_ms"),
            Name("person", "ascii"),
            Text("drill", "test", _TESTS),
            Text("attempt", "trial"),
            Number("gate_yd", "distance_m", "yd", 3),
            Number("elapsed_ms", "split_time_s", "ms", 0),
            Text("turn", "side", {"left": "L", "right": "R"}),
            Text("pattern", "course"),
            Number("angle_deg", "turn_angle_deg", "deg", 0),
            Text("stance", "start", {"standing": "still", "flying": "rolling"}),
            Text("lead_in", "approach", {"standing": "none", "flying": "10 m"}),
            Number("behind_cm", "start_offset_m", "cm", 0),
            Text("verdict", "mark", {"ok": "good", "warm_up": "trial run", "failed": "void"}),
            Filler("cell_pct", _battery),
        ),
    ),
}
CHANGED = {
    "gates-1": Spec(
        layout="gates-1-runs-changed",
        family="timing_gates",
        device="gates-1",
        bom=True,
        delimiter="|",
        newline="\n",
        match=("runner", "attempt no", "split C"),
        preamble=(Preamble("Ground", "surface"), Preamble("Tailwind", "wind_m_s", "km/h", 2)),
        constants=_FACTS,
        columns=(
            Filler("power", _battery),
            *_splits(("split A", "split B", "split C", "split D"), "ms", 0)[::-1],
            Text("call", "mark", {"ok": "1", "warm_up": "2", "failed": "3"}),
            Text("attempt no", "trial"),
            Name("runner", "last_first"),
            Stamp("when", "%Y-%m-%dT%H:%M:%S%z"),
        ),
    ),
    "gates-2": Spec(
        layout="gates-2-gates-changed",
        family="timing_gates",
        device="gates-2",
        encoding="latin-1",
        delimiter=";",
        decimal=",",
        null_word="n/a",
        comment="#",
        match=("Zeit (s)", "Tor (ft)"),
        filename=(("surface", r"_(?P<surface>[a-z]+)\.csv$"),),
        constants=(Constant("timing", "electronic"),),
        lines_of=_gates,
        columns=(
            Name("Nummer", "id"),
            Number("Zeit (s)", "split_time_s", "s", 4),
            Number("Tor (ft)", "distance_m", "ft", 3),
            Text(
                "Übung",
                "test",
                {"linear_sprint": "gerade", "flying_sprint": "fliegend", "change_of_direction": "W"},
            ),
            Text("Seite", "side", {"left": "links", "right": "rechts"}),
            Text("Lauf", "trial"),
            Number("Winkel", "turn_angle_deg", "deg", 1),
            Text("Bahn", "course"),
            Text("Anlauf", "approach"),
            Text("Start", "start"),
            Number("Abstand (in)", "start_offset_m", "in", 2),
            Text("Urteil", "mark"),
            Stamp("Tag", "%d/%m/%y"),
            Stamp("Uhr", "%I:%M:%S %p"),
            Filler("Akku", _battery),
        ),
    ),
}


def time_at(distance_m: np.ndarray, top_speed_m_s: float, tau_s: float) -> np.ndarray:
    """Time [s] at which a sprint v = V (1 - exp(-t / tau)) has covered `distance_m`; Newton, same shape."""
    seconds = distance_m / top_speed_m_s + tau_s
    for _ in range(40):
        decay = np.exp(-seconds / tau_s)
        covered = top_speed_m_s * (seconds + tau_s * decay) - top_speed_m_s * tau_s
        seconds = seconds - (covered - distance_m) / (top_speed_m_s * (1 - decay))
    return np.asarray(seconds)


def splits_from(level: Level, share: float, offset_m: float, distances: tuple[int, ...]) -> np.ndarray:
    """Split times [s]: the clock starts as the first gate is crossed, `offset_m` after the start line."""
    speed, tau = level.top_speed_m_s * share, level.tau_s / share
    away = time_at(np.array([offset_m, *(offset_m + distance for distance in distances)]), speed, tau)
    return np.asarray(away[1:] - away[0])


def _share(level: Level, visit: Visit, rng: np.random.RandomState) -> float:
    """Speed on the day as a share of the level: a third of the jump's growth and learning."""
    return 1 + (form(level, visit.day, visit.earlier, visit.status) - 1) / 3 + 0.008 * rng.normal()


def _straight(
    visit: Visit, level: Level, share: float, rng: np.random.RandomState, offset: float
) -> Iterator[Row]:
    """Two sprints; under 15 to 20 m only; a first one now and then is a warm-up, a last one void."""
    distances = SPLITS if visit.athlete.age(visit.day) >= 15 else SPLITS[:3]
    warm, void = visit.chance("warm") < 0.05, visit.chance("void") < 0.03
    for trial in range(1, 3 + warm):
        pace = share * (1 + 0.006 * rng.normal()) * (0.95 if warm and trial == 1 else 1.0)
        times = splits_from(level, pace, offset, distances) + 0.004 * rng.normal(size=len(distances))
        many = {str(distance): float(seconds) for distance, seconds in zip(distances, times, strict=True)}
        if visit.chance("missed gate", str(trial)) < 0.01:
            del many["20"]
        last = trial == 2 + warm
        mark = "warm_up" if warm and trial == 1 else "failed" if void and last else "ok"
        facts: dict[str, str | int] = {
            "test": "linear_sprint",
            "trial": trial,
            "start": "standing",
            "mark": mark,
        }
        true = {"sprint_vmax": level.top_speed_m_s * pace, "sprint_tau": level.tau_s / pace}
        start = {"start_offset_m": offset}
        yield Row(visit.athlete.athlete_id, visit.next(75), facts, start, many, results=true)


def _flying(visit: Visit, level: Level, share: float, rng: np.random.RandomState) -> Iterator[Row]:
    """Two flying 10 m."""
    for trial in (1, 2):
        seconds = 10 / (0.97 * level.top_speed_m_s * share * (1 + 0.008 * rng.normal()))
        facts: dict[str, str | int] = {
            "test": "flying_sprint",
            "trial": trial,
            "start": "flying",
            "mark": "ok",
        }
        run_in = {"start_offset_m": 20.0}
        yield Row(visit.athlete.athlete_id, visit.next(20), facts, run_in, {"10": seconds})


def _turns(visit: Visit, level: Level, share: float, rng: np.random.RandomState) -> Iterator[Row]:
    """Two turns a side, 5 m out and 5 m back after a flying approach."""
    straight = float(splits_from(level, share, 0.3, (10,))[0])
    for side, sign in (("left", 1), ("right", -1)):
        for trial in (1, 2):
            noise = 1 + 0.015 * rng.normal() + sign * level.favoured_side
            facts: dict[str, str | int] = {"test": "change_of_direction", "trial": trial, "side": side}
            facts |= {"course": "5 m out and back", "start": "flying", "approach": "flying", "mark": "ok"}
            seconds = (straight + level.turn_s) * noise
            values = {"turn_angle_deg": 180.0, "start_offset_m": 10.0}
            yield Row(visit.athlete.athlete_id, visit.next(15), facts, values, {"10": seconds})


def drops(seed: int, roster: Roster, levels: dict[str, Level]) -> Iterator[Drop]:
    """All files of both devices."""
    diary = Diary("gates-1")
    for first in GATES_1_DAYS:
        for sports, day in ((WATER_AND_TRACK, first), (BALL_SPORTS, first + timedelta(days=2))):
            rows: list[Row] = []
            for visit in diary.visits(roster, day, sports, time(16, 30)):
                level, rng = (
                    levels[visit.athlete.athlete_id],
                    stream(seed, "gates-1", visit.athlete.athlete_id, str(day)),
                )
                offset = float(_START.on(day))
                rows += _straight(visit, level, _share(level, visit, rng), rng, offset)
            wind = round(0.8 * float(stream(seed, "wind", str(day)).normal()), 1) + 0.0
            yield Drop("gates-1", f"{day}_corridas.csv", rows, {"surface": "track", "wind_m_s": wind})
    diary = Diary("gates-2")
    for day in GATES_2_DAYS:
        rows = []
        for visit in diary.visits(roster, day, BALL_SPORTS, time(9, 0)):
            level, rng = (
                levels[visit.athlete.athlete_id],
                stream(seed, "gates-2", visit.athlete.athlete_id, str(day)),
            )
            share = _share(level, visit, rng)
            if visit.athlete.on(day, "sport") == "hockey":
                rows += _straight(visit, level, share, rng, 0.3)
                rows += _flying(visit, level, share, rng)
            if visit.athlete.on(day, "sport") == "handball":
                rows += _turns(visit, level, share, rng)
                rows += _straight(visit, level, share, rng, 0.3)
        yield Drop("gates-2", f"{day}_hall.csv", rows, {"surface": "hall"})


FAULTS = (
    Plan("gates-1/2026-01-22_corridas.csv", gate_too_near("30", "20", 1.0), (36,)),
    Plan("gates-1/2025-11-11_corridas.csv", not_a_number("split_time_s"), (19,)),
    Plan("gates-1/2025-11-13_corridas.csv", repeated_header(), (19,)),
    Plan("gates-1/2025-12-09_corridas.csv", ambiguous_name("a02", "Tomás P."), (2,)),
    Plan("gates-1/2025-12-11_corridas.csv", splits_not_rising("20", "30", least=30), (35,)),
    Plan("gates-2/2025-10-26_hall.csv", comment_line("# cell changed at gate 3"), (10,)),
    Plan("gates-2/2025-11-23_hall.csv", truncated(), (18,)),
    Plan(
        "gates-1/2025-10-14_corridas.csv",
        shown(
            "a start line that moved, and wind above the header",
            "",
            "stores both with each gate; times from another start are a series of their own",
        ),
        (33, 37),
    ),
    Plan(
        "gates-2/2025-10-26_hall.csv",
        shown(
            "the Sunday on which the clocks changed",
            "",
            "stores the right hour, in UTC and as the wall had it",
        ),
        (12,),
    ),
    Plan(
        "gates-2/2026-01-11_hall.csv",
        untold(
            "side",
            "side_unknown",
            "a turn whose side was not written down",
            "loads it and leaves it out of comparisons of the sides",
            lambda row: row.facts["test"] == "change_of_direction",
        ),
        (38,),
    ),
)

"""Resisted sprints: pull-1 writes a file a run, sled-1 a file a day with the runs below each other."""

from collections.abc import Iterator
from dataclasses import replace
from datetime import date, time

import numpy as np

from ..draw import stream
from ..export import Drop, Export, Line, line_text
from ..faults.base import Act, Book, Fault, Plan, hold
from ..levels import Level, form
from ..people import Roster
from ..schedule import Diary, Visit
from ..spec import Name, NameAbove, Number, Preamble, Row, Spec, Stamp, StampAbove, Text
from .timing_gates import time_at

HZ = 50
LOADS_N = (12.0, 90.0, 180.0)  # of the line of pull-1, as it is set
SETTINGS = ("libre", "9 kg", "18 kg")  # of the same, as text
SLEDS_KG = (5.0, 25.0, 50.0)  # sled and load
FRICTION = 0.35  # of the sled: force in the line over its weight
SECONDS = (4.6, 5.0, 5.4)  # how long a run lasts, from the lightest load to the heaviest
SLOWER_M_S_N = 0.024  # how much a newton takes off the top speed
PULL_1_DAYS = (date(2025, 9, 19), date(2025, 10, 17), date(2025, 11, 28), date(2026, 1, 16))
SLED_1_DAYS = (date(2025, 9, 24), date(2025, 10, 29), date(2025, 12, 3), date(2026, 1, 28))

SHOWS = {
    "pull-1": "a file a run: whose, when and against what stand above the header row; the trace at 50 Hz, "
    "decimal comma; three loads, one of them nearly none",
    "sled-1": "a file a day, the runs of a squad below each other at 50 Hz; tabs, milliseconds, centimetres "
    "and kilograms-force; the sled's mass and the ground on each line, no velocity",
}
SPECS = {
    "pull-1": Spec(
        layout="pull-1-course",
        family="resisted_sprint",
        device="pull-1",
        bom=True,
        delimiter=";",
        decimal=",",
        match=("temps (s)", "position (m)"),
        heading=("Course contre traction",),
        preamble=(
            NameAbove("Athlète"),
            StampAbove("Date", "%d/%m/%Y"),
            StampAbove("Heure", "%H:%M:%S"),
            Preamble("Essai", "trial"),
            Preamble("Traction", "pull", words={"resisted": "retenue", "assisted": "aidée"}),
            Preamble("Résistance (N)", "resistance_n", "N", 0),
            Preamble("Réglage", "resistance_setting"),
            Preamble("Sol", "surface", words={"track": "piste", "hall": "salle"}),
        ),
        columns=(
            Number("temps (s)", "time_s", "s", 2),
            Number("position (m)", "position_m", "m", 3),
            Number("vitesse (m/s)", "velocity_m_s", "m/s", 2),
            Number("force (N)", "force_n", "N", 1),
        ),
    ),
    "sled-1": Spec(
        layout="sled-1-runs",
        family="resisted_sprint",
        device="sled-1",
        delimiter="\t",
        newline="\n",
        match=("run_at", "t_ms", "x_cm"),
        columns=(
            Stamp("run_at", "%Y-%m-%dT%H:%M:%S"),
            Name("who", "ascii"),
            Text("run", "trial"),
            Text("way", "pull", {"resisted": "against", "assisted": "with"}),
            Number("sled_kg", "sled_mass_kg", "kg", 1),
            Text("ground", "surface", {"track": "rubber", "hall": "wood"}),
            Number("t_ms", "time_s", "ms", 0),
            Number("x_cm", "position_m", "cm", 1),
            Number("line_kgf", "force_n", "kgf", 2),
        ),
    ),
}
CHANGED = {
    "pull-1": Spec(
        layout="pull-1-course-changed",
        family="resisted_sprint",
        device="pull-1",
        newline="\n",
        match=("clock_ms", "pull_kgf"),
        preamble=(
            Preamble("Set force", "resistance_n", "kgf", 2),
            Preamble("Set to", "resistance_setting"),
            Preamble("Ground", "surface"),
            Preamble("Attempt", "trial"),
            Preamble("Direction", "pull", words={"resisted": "back", "assisted": "forward"}),
            NameAbove("Runner", "last_first"),
        ),
        filename=(("performed_at", r"_(?P<performed_at>\d{8}_\d{6})"),),
        time_of_filename="%Y%m%d_%H%M%S",
        columns=(
            Number("pull_kgf", "force_n", "kgf", 3),
            Number("speed_kmh", "velocity_m_s", "km/h", 2),
            Number("way_mm", "position_m", "mm", 0),
            Number("clock_ms", "time_s", "ms", 0),
        ),
    ),
    "sled-1": Spec(
        layout="sled-1-runs-changed",
        family="resisted_sprint",
        device="sled-1",
        encoding="latin-1",
        delimiter=";",
        decimal=",",
        match=("Weg (m)", "Zug (N)"),
        columns=(
            Number("Zug (N)", "force_n", "N", 1),
            Number("Weg (m)", "position_m", "m", 3),
            Number("Sekunde", "time_s", "s", 2),
            Text("Boden", "surface"),
            Number("Schlitten (lb)", "sled_mass_kg", "lb", 2),
            Text("Richtung", "pull"),
            Text("Lauf Nr", "trial"),
            Name("Läufer", "id"),
            Stamp("Lauftag", "%d.%m.%Y"),
            Stamp("Laufzeit", "%H:%M:%S"),
        ),
    ),
}


def run_of(level: Level, share: float, load_n: float, seconds: float) -> tuple[np.ndarray, np.ndarray, float]:
    """Position [m] and velocity [m/s] at each sample of v = V (1 - exp(-t / tau)), and the fastest 5 m [m/s].

    V falls by the same for each newton; the speed only rises, so the last 5 m are the fastest.
    """
    top, tau = level.top_speed_m_s * share - SLOWER_M_S_N * load_n, level.tau_s
    clock = np.arange(round(seconds * HZ) + 1) / HZ
    decay = np.exp(-clock / tau)
    place = top * (clock - tau * (1 - decay))
    begins = float(time_at(np.array([place[-1] - 5.0]), top, tau)[0])
    return place, top * (1 - decay), 5.0 / (float(clock[-1]) - begins)


def _runs(
    seed: int, visit: Visit, level: Level, facts: dict[str, str | int], values: list[dict[str, float]]
) -> Iterator[list[Row]]:
    """The three runs of a visit, each as its samples; `values`: what is set for each run."""
    rng = stream(seed, "resisted", visit.athlete.athlete_id, str(visit.day))
    share = 1 + (form(level, visit.day, visit.earlier, visit.status) - 1) / 3 + 0.008 * rng.normal()
    for trial, (given, seconds) in enumerate(zip(values, SECONDS, strict=True), 1):
        sled = given.get("sled_mass_kg", 0.0) * 9.80665 * FRICTION
        load = given.get("resistance_n", sled)
        place, velocity, fastest = run_of(level, share * (1 + 0.006 * rng.normal()), load, seconds)
        place = place + 0.002 * rng.normal(size=place.size)
        velocity = velocity + 0.03 * rng.normal(size=place.size)
        force = load * (1 + 0.04 * rng.normal(size=place.size))
        one: dict[str, str | int] = {**facts, "trial": trial, "pull": "resisted"}
        if "resistance_n" in given:
            one["resistance_setting"] = SETTINGS[trial - 1]
        at, true = visit.next(180), {"resisted_plateau_velocity": fastest}
        yield [
            Row(
                visit.athlete.athlete_id,
                at,
                one,
                {
                    **given,
                    "time_s": number / HZ,
                    "position_m": float(place[number]),
                    "velocity_m_s": float(velocity[number]),
                    "force_n": float(force[number]),
                },
                results=true,
            )
            for number in range(place.size)
        ]


def drops(seed: int, roster: Roster, levels: dict[str, Level]) -> Iterator[Drop]:
    """All files of both devices: the track sprinters at pull-1, backs and pivots at sled-1."""
    diary = Diary("pull-1")
    loads = [{"resistance_n": load} for load in LOADS_N]
    for day in PULL_1_DAYS:
        for visit in diary.visits(roster, day, ("track cycling",), time(17, 30)):
            if visit.athlete.on(day, "position") == "sprint":
                level = levels[visit.athlete.athlete_id]
                for run in _runs(seed, visit, level, {"surface": "track"}, loads):
                    yield Drop("pull-1", f"run_{run[0].at:%Y%m%d_%H%M%S}.csv", run)
                    told = (day, visit.athlete.athlete_id, run[0].facts["trial"])
                    if told == (PULL_1_DAYS[1], "a58", 2):
                        yield Drop("pull-1", f"run_{run[0].at:%Y%m%d_%H%M%S}_again.csv", run)
    diary = Diary("sled-1")
    sleds = [{"sled_mass_kg": mass} for mass in SLEDS_KG]
    for day in SLED_1_DAYS:
        ground = "track" if day.month in (9, 10) else "hall"
        runs: list[list[Row]] = []
        for visit in diary.visits(roster, day, ("handball",), time(10, 15)):
            if visit.athlete.on(day, "position") in ("back", "pivot"):
                runs += _runs(seed, visit, levels[visit.athlete.athlete_id], {"surface": ground}, sleds)
        rows = [row for run in sorted(runs, key=lambda one: one[0].at) for row in run]
        yield Drop("sled-1", f"{day}_runs.csv", rows)


def _bad_sample(target: str, least: int) -> Act:
    """A letter in one sample."""

    def act(book: Book, export: Export, roster: Roster) -> list[Fault]:
        line, place = export.data()[least], export.spec.at(target)
        line.cells[place] = line.cells[place][:-1] + "S"
        does = "holds this sample alone and flags its run `gap`"
        written = line.cells[place]
        hold(line, "not_a_number")
        return [Fault("a letter in a sample", export.path, line, "not_a_number", does, written)]

    return act


def _ends_early(samples: int) -> Act:
    """The device stopped before the athlete had run 5 m."""

    def act(book: Book, export: Export, roster: Roster) -> list[Fault]:
        kept = export.data()[:samples]
        export.lines = [line for line in export.lines if line.kind != "data" or line in kept]
        for line in kept:
            assert line.row is not None
            line.row = replace(line.row, results={})
        kept[0].code = "trace_short"
        does = "loads the run, flags it, and gives no plateau velocity"
        return [Fault("a trace that ends early", export.path, kept[0], "trace_short", does, kept[0].cells[0])]

    return act


def _stranger_above(name: str) -> Act:
    """A file of somebody who is not on the roster."""

    def act(book: Book, export: Export, roster: Roster) -> list[Fault]:
        for line in export.lines:
            if line.text is not None and line.text.endswith(export.name):
                line.text = line.text.replace(export.name, name)
        export.name = name
        for line in export.data():
            hold(line, "unknown_name")
        first = export.data()[0]
        does = "holds the whole run and asks once; `yardmark alias` releases it"
        return [Fault("a stranger's run", export.path, first, "unknown_name", does, first.cells[0])]

    return act


def _exported_again() -> Act:
    """The same run in another file: the first line differs, so the files are not the same."""

    def act(book: Book, export: Export, roster: Roster) -> list[Fault]:
        export.lines.insert(0, Line("preamble", text="#2"))
        does = "knows the run: all its lines are repeated"
        return [Fault("a run exported again", export.path, None, "", does, "#2")]

    return act


def _cut_off(cells: int) -> Act:
    """A file that breaks off within its last line."""

    def act(book: Book, export: Export, roster: Roster) -> list[Fault]:
        line = export.data()[-1]
        line.cells, line.ended = line.cells[:cells], False
        does = "holds the line and flags its run `gap`"
        hold(line, "too_few_fields")
        written = line_text(export.spec, line)
        return [Fault("a file cut off", export.path, line, "too_few_fields", does, written)]

    return act


FAULTS = (
    Plan("pull-1/run_20250919_180309.csv", _stranger_above("Ossian Ferrelho"), (1,)),
    Plan("pull-1/run_20251017_175201_again.csv", _exported_again(), (15,)),
    Plan("pull-1/run_20251128_174411.csv", _ends_early(40), (40,)),
    Plan("pull-1/run_20260116_174100.csv", _bad_sample("position_m", 60), (19, 41)),
    Plan("sled-1/2025-10-29_runs.csv", _bad_sample("force_n", 700), (19, 41)),
    Plan("sled-1/2025-12-03_runs.csv", _cut_off(7), (18, 41)),
)

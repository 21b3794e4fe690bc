"""Neck dynamometer: neck-1 writes a line a direction, neck-2 a line a trial with a column a direction."""

from collections.abc import Iterator
from datetime import date, time

import numpy as np

from ..draw import fixed, stream
from ..export import Drop
from ..faults.base import Plan
from ..faults.cells import misspelt_name, not_in_map, out_of_range, shown
from ..faults.readings import emptied
from ..faults.versions import doubled_line
from ..levels import Level
from ..people import Athlete, Roster
from ..schedule import Diary, Visit
from ..spec import Constant, Filler, Name, Number, Preamble, Row, Spec, Stamp, Text, Wide

NECK_1_DAYS = (date(2025, 9, 17), date(2025, 10, 22), date(2025, 12, 3), date(2026, 1, 14))
NECK_2_DAYS = (
    date(2025, 9, 22),
    date(2025, 10, 20),
    date(2025, 11, 24),
    date(2025, 12, 15),
    date(2026, 1, 19),
)
# Share of the force in extension (common practice, no source); rotation: of its force on the pad.
SHARES = {
    "flexion": 0.64,
    "extension": 1.0,
    "left": 0.78,
    "right": 0.78,
    "rotation_left": 0.42,
    "rotation_right": 0.42,
}
ARM_1_M = 0.14  # of neck-1, written on each line
ARM_2_M = 0.155  # of neck-2, written above the header
TURN_ARM_M = 0.09
_WORDS_1 = {
    "flexion": "flexão",
    "extension": "extensão",
    "left": "inclinação esquerda",
    "right": "inclinação direita",
    "rotation_left": "rotação esquerda",
    "rotation_right": "rotação direita",
}
_GERMAN = {
    "flexion": "vor",
    "extension": "zurück",
    "left": "Neigung li",
    "right": "Neigung re",
    "rotation_left": "Drehung li",
    "rotation_right": "Drehung re",
}


def _pad(row: Row) -> str:
    """Which pad is on the arm."""
    return "A" if fixed(str(row.at.date()), "pad") < 0.5 else "B"


def _pushes(headers: tuple[str, ...], unit: str, decimals: int) -> tuple[Wide, ...]:
    """The force columns of a wide export."""
    return tuple(
        Wide(header, "peak_force_n", ("direction", direction), unit, decimals)
        for header, direction in zip(headers, ("flexion", "extension", "left", "right"), strict=True)
    )


def _turns(headers: tuple[str, str], decimals: int) -> tuple[Wide, ...]:
    """The torque columns of a wide export."""
    return tuple(
        Wide(header, "peak_torque_n_m", ("direction", direction), "N.m", decimals)
        for header, direction in zip(headers, ("rotation_left", "rotation_right"), strict=True)
    )


SHOWS = {
    "neck-1": "a line a direction and trial, a file a day; directions in Portuguese, kilograms-force, the "
    "lever arm on each line: rotations have a force and become a torque by it",
    "neck-2": "a line a trial, a column a direction; newtons, and newton metres for rotations; the lever arm "
    "and the examiner above the header",
}
SPECS = {
    "neck-1": Spec(
        layout="neck-1-ensaios",
        family="neck_dynamometer",
        device="neck-1",
        encoding="latin-1",
        delimiter=";",
        decimal=",",
        match=("Atleta", "Direção", "Força (kgf)"),
        columns=(
            Stamp("Data e hora", "%d-%m-%Y %H:%M:%S"),
            Name("Atleta"),
            Text("Direção", "direction", _WORDS_1),
            Text("Ensaio", "trial"),
            Number("Força (kgf)", "peak_force_n", "kgf", 2),
            Number("Braço (cm)", "lever_arm_m", "cm", 1),
            Text("Posição", "posture", {"seated, trunk strapped": "sentado", "kneeling": "de joelhos"}),
            Text("Avaliador", "examiner"),
            Text("Estado", "mark", {"ok": "válido", "warm_up": "adaptação", "failed": "arnês solto"}),
        ),
    ),
    "neck-2": Spec(
        layout="neck-2-wide",
        family="neck_dynamometer",
        device="neck-2",
        method_version="4",
        null_word="n/t",
        newline="\n",
        match=("player", "set", "flex N", "ext N"),
        heading=("Neck strength session",),
        preamble=(Preamble("Lever arm (cm)", "lever_arm_m", "cm", 1), Preamble("Examiner", "examiner")),
        constants=(Constant("posture", "seated, trunk strapped"),),
        columns=(
            Stamp("clock", "%Y-%m-%dT%H:%M:%S%z"),
            Name("player", "last_first"),
            Text("set", "trial"),
            *_pushes(("flex N", "ext N", "lat L N", "lat R N"), "N", 0),
            *_turns(("rot L Nm", "rot R Nm"), 1),
            Text("valid", "mark", {"ok": "y", "warm_up": "w", "failed": "slip"}),
            Filler("pad", _pad),
        ),
    ),
}
CHANGED = {
    "neck-1": Spec(
        layout="neck-1-ensaios-changed",
        family="neck_dynamometer",
        device="neck-1",
        delimiter="|",
        newline="\n",
        null_word="-",
        match=("wer", "Richtung", "Kraft"),
        columns=(
            Text("Wertung", "mark", {"ok": "1", "warm_up": "0", "failed": "9"}),
            Text("Prüfperson", "examiner"),
            Text("Haltung", "posture", {"seated, trunk strapped": "sitzend", "kneeling": "kniend"}),
            Number("Hebel", "lever_arm_m", "mm", 0),
            Number("Kraft", "peak_force_n", "lbf", 2),
            Text("Versuch", "trial"),
            Text("Richtung", "direction", _GERMAN),
            Name("wer", "id"),
            Stamp("Tag", "%d.%m.%Y"),
            Stamp("Zeit", "%H:%M:%S"),
        ),
    ),
    "neck-2": Spec(
        layout="neck-2-wide-changed",
        family="neck_dynamometer",
        device="neck-2",
        method_version="4",
        bom=True,
        delimiter="\t",
        decimal=",",
        match=("joueur", "essai", "arrière"),
        preamble=(Preamble("Testeur", "examiner"), Preamble("Bras de levier", "lever_arm_m", "mm", 0)),
        constants=(Constant("posture", "seated, trunk strapped"),),
        columns=(
            *_turns(("rotation g", "rotation d"), 2),
            *_pushes(("avant", "arrière", "gauche", "droite"), "kgf", 3),
            Filler("coussin", _pad),
            Text("avis", "mark"),
            Text("essai", "trial"),
            Name("joueur"),
            Stamp("quand", "epoch_ms"),
        ),
    ),
}


def _strength(athlete: Athlete, day: date, seed: int) -> dict[str, float]:
    """What somebody can push in each direction [N], of a stream of his or her own."""
    rng = stream(seed, "neck", athlete.athlete_id)
    size = (255.0 if athlete.sex == "male" else 175.0) * float(
        np.interp(athlete.age(day), [14, 19], [0.72, 1])
    )
    able, favoured = 1 + 0.13 * float(rng.normal()), 0.03 * float(rng.normal())
    sides = {"left": 1 - favoured, "rotation_left": 1 - favoured}
    return {
        direction: size * able * share * sides.get(direction, 1.0) * (1 + 0.06 * float(rng.normal()))
        for direction, share in SHARES.items()
    }


def _forces(visit: Visit, seed: int, device: str, trials: int) -> Iterator[tuple[int, str, dict[str, float]]]:
    """Trial, mark and force [N] by direction; people learn, and the day has a form of its own."""
    rng = stream(seed, device, visit.athlete.athlete_id, str(visit.day))
    able = _strength(visit.athlete, visit.day, seed)
    learned = (0.92, 0.97)[visit.earlier] if visit.earlier < 2 else 1.0
    form = (
        learned * (1 + 0.05 * float(rng.normal())) * {"rehab": 0.9, "modified": 0.97}.get(visit.status, 1.0)
    )
    slipped = visit.chance("slipped") < 0.06
    for trial in range(1, trials + 1):
        mark = (
            "warm_up"
            if trial == 1 and visit.earlier == 0
            else "failed"
            if slipped and trial == trials
            else "ok"
        )
        share = {"warm_up": 0.7, "failed": 0.6}.get(mark, 1.0)
        noise = {name: 1 + 0.05 * float(rng.normal()) for name in able}
        yield (
            trial,
            mark,
            {name: max(14.0, newtons * form * share * noise[name]) for name, newtons in able.items()},
        )


def _long(visit: Visit, seed: int) -> Iterator[Row]:
    """neck-1: a line a direction; no rotation in a trial to get used to it."""
    posture = "kneeling" if visit.chance("kneeling") < 0.08 else "seated, trunk strapped"
    examiner = "LQ" if visit.chance("examiner") < 0.85 else "TR"
    for trial, mark, forces in _forces(visit, seed, "neck-1", 2 if visit.earlier else 3):
        for direction, newtons in forces.items():
            rotates = direction.startswith("rotation")
            if rotates and mark == "warm_up":
                continue
            facts: dict[str, str | int] = {"direction": direction, "trial": trial, "mark": mark}
            facts |= {"posture": posture, "examiner": examiner}
            values = {"peak_force_n": newtons, "lever_arm_m": TURN_ARM_M if rotates else ARM_1_M}
            yield Row(visit.athlete.athlete_id, visit.next(10), facts, values)


def _wide(visit: Visit, seed: int) -> Iterator[Row]:
    """neck-2: a line a trial; some are not tested in rotation."""
    no_rotation = visit.chance("no rotation") < 0.15
    for trial, mark, forces in _forces(visit, seed, "neck-2", 3):
        many = {
            direction: newtons * TURN_ARM_M if direction.startswith("rotation") else newtons
            for direction, newtons in forces.items()
            if not (no_rotation and direction.startswith("rotation"))
        }
        yield Row(visit.athlete.athlete_id, visit.next(60), {"trial": trial, "mark": mark}, {}, many)


def drops(seed: int, roster: Roster, levels: dict[str, Level]) -> Iterator[Drop]:
    """All files: handball players by neck-1, hockey players by neck-2, never straight after a game."""
    diary = Diary("neck-1")
    for day in NECK_1_DAYS:
        rows: list[Row] = []
        for visit in diary.visits(roster, day, ("handball",), time(15, 0)):
            rows += _long(visit, seed)
        yield Drop("neck-1", f"{day}_pescoco.csv", rows)
    diary = Diary("neck-2")
    for day in NECK_2_DAYS:
        rows = []
        for visit in diary.visits(roster, day, ("hockey",), time(18, 0)):
            rows += _wide(visit, seed)
        above: dict[str, str | float] = {"lever_arm_m": ARM_2_M, "examiner": "TR"}
        yield Drop("neck-2", f"neck_{day}.csv", rows, above)


FAULTS = (
    Plan("neck-1/2025-10-22_pescoco.csv", not_in_map("direction", "para trás"), (20,)),
    Plan(
        "neck-1/2025-12-03_pescoco.csv",
        emptied(
            "lever_arm_m",
            "direction",
            "rotation_left",
            "a rotation with neither torque nor lever arm",
            "holds the line: a force alone is no torque",
        ),
        (52,),
    ),
    Plan("neck-1/2025-12-03_pescoco.csv", doubled_line(), (15,)),
    Plan(
        "neck-1/2026-01-14_pescoco.csv",
        out_of_range("peak_force_n", 2100.0, "N", "newtons were typed into a column of kilograms-force"),
        (54,),
    ),
    Plan("neck-2/neck_2025-10-20.csv", misspelt_name("a41", "Zandwaar, Pieter"), (1,)),
    Plan(
        "neck-1/2025-09-17_pescoco.csv",
        shown(
            "a push in another posture",
            "",
            "loads it into a series of its own",
            lambda row: row.facts["posture"] == "kneeling",
        ),
        (52,),
    ),
)

"""Skinfold calipers: calipers-1 writes a line a site with a column a reading, calipers-2 a line a reading."""

from collections.abc import Iterator
from datetime import date, time, timedelta

import numpy as np

from ..draw import fixed, stream
from ..export import Drop
from ..faults.base import Plan
from ..faults.cells import out_of_range, shown
from ..faults.readings import lone_reading, readings_apart, skipped_site
from ..levels import FIRST_DAY, SEASON_DAYS, Level
from ..people import Athlete, Roster
from ..schedule import Diary, Visit
from ..spec import Filler, Name, Number, Preamble, Row, Spec, Stamp, Text, UnitOf, Wide

MEASURERS = ("LQ", "TR")
CALIPERS_1_DAYS = (*(date(2025, 9, 11) + timedelta(days=28 * n) for n in range(4)), date(2026, 1, 8))
CALIPERS_2_DAYS = (*(date(2025, 9, 15) + timedelta(days=28 * n) for n in range(4)), date(2026, 1, 19))
# A man's fold [m], and a woman's as a share of it: plausible for athletes (common practice, no source).
FOLDS = {
    "triceps": (0.0075, 1.75),
    "biceps": (0.0042, 1.55),
    "subscapular": (0.0090, 1.15),
    "suprailiac": (0.0100, 1.25),
    "supraspinale": (0.0075, 1.35),
    "abdomen": (0.0120, 1.30),
    "thigh": (0.0105, 1.85),
    "calf": (0.0068, 1.70),
}
_SITES_1 = {
    "triceps": "tricipital",
    "subscapular": "subescapular",
    "biceps": "bicipital",
    "supraspinale": "supraespinal",
    "abdomen": "abdominal",
    "thigh": "coxa",
    "calf": "geminal",
}
_SITES_2 = {"biceps": "BIC", "triceps": "TRI", "subscapular": "SUBSC", "suprailiac": "SUPRAIL"}


def _side(row: Row) -> str:
    """Folds are taken on the right."""
    return "dir."


def _warmth(row: Row) -> str:
    """Of the room."""
    return str(20 + int(3 * fixed(str(row.at.date()), "room")))


_THICKNESS = Number("reading", "thickness_mm", by_quantity={"LQ": ("mm", 1), "TR": ("cm", 2)}, by="measurer")
_CHANGED = Number("Dicke", "thickness_mm", by_quantity={"LQ": ("cm", 2), "TR": ("mm", 1)}, by="measurer")

SHOWS = {
    "calipers-1": "a line a site, a column a reading, the third only where the first two are apart; the "
    "measurer above the header; decimal comma, dates without time",
    "calipers-2": "a line a reading with its unit: one measurer writes millimetres, the other centimetres",
}
SPECS = {
    "calipers-1": Spec(
        layout="calipers-1-dobras",
        family="skinfold_calipers",
        device="calipers-1",
        bom=True,
        delimiter=";",
        decimal=",",
        match=("Atleta", "Local da dobra", "1.ª (mm)"),
        heading=("Ficha de dobras cutâneas",),
        preamble=(Preamble("Medidor", "measurer"),),
        columns=(
            Stamp("Dia", "%d/%m/%Y"),
            Name("Atleta", "last_first"),
            Text("Local da dobra", "site", _SITES_1),
            Filler("Lado", _side),
            Wide("1.ª (mm)", "thickness_mm", ("reading", 1), "mm", 1),
            Wide("2.ª (mm)", "thickness_mm", ("reading", 2), "mm", 1),
            Wide("3.ª (mm)", "thickness_mm", ("reading", 3), "mm", 1),
        ),
    ),
    "calipers-2": Spec(
        layout="calipers-2-readings",
        family="skinfold_calipers",
        device="calipers-2",
        newline="\n",
        match=("athlete", "fold", "reading", "taken by"),
        columns=(
            Name("athlete", "id"),
            Stamp("taken at", "%Y-%m-%d %H:%M"),
            Text("fold", "site", _SITES_2),
            Text("no", "reading"),
            _THICKNESS,
            UnitOf("unit", _THICKNESS),
            Text("taken by", "measurer"),
            Filler("room (C)", _warmth),
        ),
    ),
}
CHANGED = {
    "calipers-1": Spec(
        layout="calipers-1-dobras-changed",
        family="skinfold_calipers",
        device="calipers-1",
        encoding="utf-16",
        delimiter="\t",
        newline="\n",
        null_word="x",
        match=("pli", "lecture 1", "lecture 2"),
        preamble=(Preamble("Mesure par", "measurer", words={"LQ": "mesureur 1", "TR": "mesureur 2"}),),
        columns=(
            Wide("lecture 3", "thickness_mm", ("reading", 3), "cm", 3),
            Wide("lecture 2", "thickness_mm", ("reading", 2), "cm", 3),
            Wide("lecture 1", "thickness_mm", ("reading", 1), "cm", 3),
            Filler("cote", _side),
            Text("pli", "site"),
            Name("qui"),
            Stamp("date du jour", "%Y.%m.%d"),
        ),
    ),
    "calipers-2": Spec(
        layout="calipers-2-readings-changed",
        family="skinfold_calipers",
        device="calipers-2",
        encoding="cp1252",
        delimiter=";",
        decimal=",",
        match=("Falte", "Dicke", "Prüfer"),
        columns=(
            Filler("Raum", _warmth),
            Text("Prüfer", "measurer", {"LQ": "Prüfer A", "TR": "Prüfer B"}),
            UnitOf("Maß", _CHANGED),
            _CHANGED,
            Text("Mal", "reading"),
            Text("Falte", "site"),
            Stamp("Am", "%d.%m.%y"),
            Stamp("Um", "%H:%M"),
            Name("Wer"),
        ),
    ),
}


def _agreed(athlete: Athlete, share: float) -> bool:
    """Who has agreed to be measured: folds are nobody's duty."""
    return fixed(athlete.athlete_id, "folds") < share


def _measurer(visit: Visit) -> str:
    """Everybody has a measurer; now and then the other stands in."""
    own = fixed(visit.athlete.athlete_id, "measurer") < 0.6
    return MEASURERS[own == (visit.chance("stand-in") < 0.08)]


def _fold(visit: Visit, site: str, rng: np.random.RandomState, person: np.random.RandomState) -> float:
    """The true fold of the day [m]."""
    size, womens = FOLDS[site]
    share = womens if visit.athlete.sex == "female" else 1.0
    drift = 1 - 0.06 * (visit.day - FIRST_DAY).days / SEASON_DAYS
    own = float(np.exp(0.16 * person.normal()))
    return max(0.0028, size * share * drift * own * (1 + 0.015 * float(rng.normal())))


def _readings(visit: Visit, site: str, fold: float, rng: np.random.RandomState) -> list[float]:
    """One to three readings of a fold [m]: a third where two are apart, mostly."""
    noise = rng.normal(size=3)
    first, second, third = (fold * (1 + 0.012 * float(one)) for one in noise)
    if visit.chance(site, "alone") < 0.02:
        return [first]
    apart = visit.chance(site, "apart")
    if apart < 0.12:
        second = first + max(0.1 * first, 0.0009)
        return [first, second, third] if apart < 0.10 else [first, second]
    return [first, second]


def _visit(visit: Visit, device: str, seed: int, sites: dict[str, str]) -> Iterator[tuple[str, list[float]]]:
    """Site and readings [m] of each fold of a visit; now and then the last site is left out."""
    rng = stream(seed, device, visit.athlete.athlete_id, str(visit.day))
    person = stream(seed, "folds", visit.athlete.athlete_id)
    size = float(np.exp(0.2 * person.normal()))
    left_out = visit.chance("left out") < 0.06
    for number, site in enumerate(sites):
        fold = size * _fold(visit, site, rng, person)
        if not (left_out and number == len(sites) - 1):
            yield site, _readings(visit, site, max(fold, 0.0028), rng)


def _wide(visit: Visit, seed: int) -> Iterator[Row]:
    """A line a site."""
    for site, readings in _visit(visit, "calipers-1", seed, _SITES_1):
        many = {str(number): thickness for number, thickness in enumerate(readings, 1)}
        yield Row(visit.athlete.athlete_id, visit.next(40), {"site": site}, {}, many)


def _long(visit: Visit, seed: int) -> Iterator[Row]:
    """A line a reading: once round the sites, and round again."""
    folds = dict(_visit(visit, "calipers-2", seed, _SITES_2))
    for round_ in range(3):
        for site, readings in folds.items():
            if round_ < len(readings):
                facts: dict[str, str | int] = {
                    "site": site,
                    "reading": round_ + 1,
                    "measurer": _measurer(visit),
                }
                yield Row(visit.athlete.athlete_id, visit.next(20), facts, {"thickness_mm": readings[round_]})


def drops(seed: int, roster: Roster, levels: dict[str, Level]) -> Iterator[Drop]:
    """All files: rowers by calipers-1, a file a measurer and day; cyclists and some juniors by calipers-2."""
    diary = Diary("calipers-1")
    for day in CALIPERS_1_DAYS:
        rows: dict[str, list[Row]] = {one: [] for one in MEASURERS}
        for visit in diary.visits(roster, day, ("rowing",), time(7, 0)):
            if _agreed(visit.athlete, 0.75 if visit.athlete.age(day) >= 18 else 0.25):
                rows[_measurer(visit)] += _wide(visit, seed)
        for measurer in MEASURERS:
            yield Drop("calipers-1", f"dobras_{day}_{measurer}.csv", rows[measurer], {"measurer": measurer})
    diary = Diary("calipers-2")
    for day in CALIPERS_2_DAYS:
        readings: list[Row] = []
        for visit in diary.visits(roster, day, ("track cycling", "hockey"), time(8, 0)):
            adult = visit.athlete.age(day) >= 18
            rides = visit.athlete.on(day, "sport") == "track cycling"
            if _agreed(visit.athlete, 0.9 if rides else 0.0 if adult else 0.3):
                readings += _long(visit, seed)
        yield Drop("calipers-2", f"folds_{day}.csv", readings)


FAULTS = (
    Plan(
        "calipers-1/dobras_2025-10-09_LQ.csv",
        out_of_range("thickness_mm", 0.124, "mm", "no fold is that thick; a decimal comma went missing"),
        (9,),
    ),
    Plan("calipers-1/dobras_2025-10-09_TR.csv", skipped_site(len(_SITES_1)), (50,)),
    Plan("calipers-2/folds_2025-10-13.csv", readings_apart(), (48,)),
    Plan("calipers-2/folds_2025-11-10.csv", lone_reading(), (48,)),
    Plan(
        "calipers-1/dobras_2025-10-09_TR.csv",
        shown("folds by another measurer", "", "loads them into a series of their own"),
        (49,),
    ),
)

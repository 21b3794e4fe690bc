"""Body measures: scales-1 writes a line a person, scales-2 a workbook with a line a reading."""

from collections.abc import Iterator
from dataclasses import replace
from datetime import date, time, timedelta

from ..draw import fixed, stream
from ..export import Drop
from ..faults.base import Plan
from ..faults.cells import bad_date, shown, stranger
from ..faults.lines import empty_line, open_quote, renamed_header, trailer
from ..faults.people import kilograms_as_pounds
from ..faults.versions import same_file_again
from ..levels import FIRST_DAY, SEASON_DAYS, Level, push_off_m
from ..people import Roster
from ..schedule import BALL_SPORTS, WATER_AND_TRACK, Diary, Visit
from ..spec import Filler, Name, Number, Row, Spec, Stamp, Text, UnitOf, Wide

FORTNIGHTS = tuple(date(2025, 9, 8) + timedelta(days=14 * n) for n in range(8))
SCALES_1_DAYS = (*FORTNIGHTS, date(2026, 1, 5), date(2026, 1, 19))
SCALES_2_DAYS = (*(date(2025, 9, 10) + timedelta(days=21 * n) for n in range(5)), date(2026, 1, 14))
SCALES_2_BOOKS = (date(2025, 10, 31), date(2025, 12, 19), date(2026, 1, 30))


def _readings(row: Row) -> list[Row]:
    """An occasion as one row a quantity."""
    return [
        replace(row, facts={**row.facts, "quantity": quantity}, values={"value": value}, many={})
        for quantity, value in row.many.items()
    ]


def _shoes(row: Row) -> str:
    """Shoes are off."""
    return "yes"


def _by(row: Row) -> str:
    """Initials of who measured."""
    return "LQ" if fixed(str(row.at.date()), "by") < 0.5 else "TR"


_QUANTITIES = {
    "mass": "Body mass",
    "stature": "Stature",
    "sitting_height": "Sitting height",
    "push_off_distance": "Push-off way",
}
_LENGTHS = ("stature", "sitting_height", "push_off_distance")
_VALUE = Number("Value", "value", by_quantity={"mass": ("kg", 1), **dict.fromkeys(_LENGTHS, ("cm", 1))})
_CHANGED_VALUE = Number(
    "valor",
    "value",
    by_quantity={"mass": ("lb", 2), "stature": ("in", 2), **dict.fromkeys(_LENGTHS[1:], ("mm", 0))},
)

SHOWS = {
    "scales-1": "pounds, feet and inches, dates as month/day/year without time, a total at the end",
    "scales-2": "a workbook with a line a reading and a unit column; each holds the whole history so far",
}
SPECS = {
    "scales-1": Spec(
        layout="scales-1-weigh-in",
        family="body_measures",
        device="scales-1",
        trailer="Total",
        match=("Name", "Weigh day", "Mass (lb)"),
        columns=(
            Name("Name"),
            Stamp("Weigh day", "%m/%d/%Y"),
            Wide("Mass (lb)", "value", ("quantity", "mass"), "lb", 1, own_unit=True),
            Wide("Height (ft in)", "value", ("quantity", "stature"), "ft_in", 1, own_unit=True),
            Filler("Shoes off", _shoes),
        ),
    ),
    "scales-2": Spec(
        layout="scales-2-readings",
        family="body_measures",
        device="scales-2",
        workbook=True,
        match=("Athlete no", "Measure", "Value"),
        columns=(
            Name("Athlete no", "id"),
            Stamp("Measured", "%Y-%m-%d %H:%M"),
            Text("Measure", "quantity", _QUANTITIES),
            Text("Reading", "reading"),
            _VALUE,
            UnitOf("Unit", _VALUE),
            Filler("By", _by),
        ),
        lines_of=_readings,
    ),
}
CHANGED = {
    "scales-1": Spec(
        layout="scales-1-weigh-in-changed",
        family="body_measures",
        device="scales-1",
        encoding="utf-16",
        delimiter=";",
        decimal=",",
        trailer="Total",
        newline="\n",
        match=("masse kg", "taille cm"),
        columns=(
            Filler("pieds nus", _shoes),
            Wide("taille cm", "value", ("quantity", "stature"), "cm", 2, own_unit=True),
            Wide("masse kg", "value", ("quantity", "mass"), "kg", 2, own_unit=True),
            Stamp("jour", "%Y-%m-%d"),
            Name("personne", "last_first"),
        ),
    ),
    "scales-2": Spec(
        layout="scales-2-readings-changed",
        family="body_measures",
        device="scales-2",
        workbook=True,
        match=("quem", "medida", "valor"),
        columns=(
            UnitOf("unidade", _CHANGED_VALUE),
            _CHANGED_VALUE,
            Text("vez", "reading"),
            Text(
                "medida",
                "quantity",
                {
                    "mass": "massa",
                    "stature": "estatura",
                    "sitting_height": "altura sentada",
                    "push_off_distance": "impulso",
                },
            ),
            Stamp("dia", "%d.%m.%Y"),
            Stamp("hora", "%H:%M"),
            Name("quem"),
            Filler("por", _by),
        ),
        lines_of=_readings,
    ),
}


def _occasion(visit: Visit, level: Level, seed: int, device: str, with_stature: bool) -> Row:
    """Mass, and stature where it is measured that day."""
    rng = stream(seed, device, visit.athlete.athlete_id, str(visit.day))
    days = (visit.day - FIRST_DAY).days
    gained = level.mass_kg * level.growth / 3 * days / SEASON_DAYS
    many = {"mass": (level.mass_kg + gained) * (1 + 0.006 * rng.normal())}
    if with_stature:
        many["stature"] = level.stature_m + level.grows_m_day * days + 0.003 * rng.normal()
    return Row(visit.athlete.athlete_id, visit.next(30), {"reading": 1}, {}, many)


def _second_stature(row: Row, seed: int) -> Row:
    """The second reading of the stature, and the sitting height."""
    rng = stream(seed, "second", row.athlete_id, str(row.at))
    many = {"stature": row.many["stature"] + 0.002 * rng.normal()}
    return replace(row, facts={"reading": 2}, many=many)


def drops(seed: int, roster: Roster, levels: dict[str, Level]) -> Iterator[Drop]:
    """All files of both scales; every workbook holds the whole history up to its day."""
    diary = Diary("scales-1")
    for number, day in enumerate(SCALES_1_DAYS):
        visits = diary.visits(roster, day, BALL_SPORTS, time(8, 0))
        rows = [
            _occasion(one, levels[one.athlete.athlete_id], seed, "scales-1", with_stature=number % 3 == 0)
            for one in visits
        ]
        yield Drop("scales-1", f"weigh-in_{day}.csv", rows)
        if day == date(2025, 10, 6):
            yield Drop("scales-1", f"weigh-in_{day}_copy.csv", list(rows))
    diary, history = Diary("scales-2"), []
    for number, day in enumerate(SCALES_2_DAYS):
        for visit in diary.visits(roster, day, WATER_AND_TRACK, time(7, 30)):
            row = _occasion(
                visit, levels[visit.athlete.athlete_id], seed, "scales-2", with_stature=number % 2 == 0
            )
            level = levels[visit.athlete.athlete_id]
            lengths = {"sitting_height": 0.52 * level.stature_m, "push_off_distance": push_off_m(level)}
            first = replace(row, many={**row.many, **lengths}) if visit.earlier == 0 else row
            history += [first] if number % 2 else [first, _second_stature(row, seed)]
    for day in SCALES_2_BOOKS:
        yield Drop("scales-2", f"readings_{day}.xlsx", [row for row in history if row.at.date() <= day])


FAULTS = (
    Plan("scales-1/weigh-in_2025-09-22.csv", open_quote(), (10,)),
    Plan("scales-1/weigh-in_2025-10-06_copy.csv", same_file_again("scales-1/weigh-in_2025-10-06.csv"), (14,)),
    Plan("scales-1/weigh-in_2025-10-20.csv", stranger("Ewald Brigsund"), (1,)),
    Plan("scales-1/weigh-in_2025-11-03.csv", bad_date(), (11,)),
    Plan("scales-1/weigh-in_2025-11-17.csv", empty_line(), (56,)),
    Plan("scales-1/weigh-in_2025-12-15.csv", renamed_header("value", "Weight"), (20,)),
    Plan("scales-1/weigh-in_2026-01-19.csv", trailer(), (18,)),
    Plan("scales-1/weigh-in_2026-01-19.csv", kilograms_as_pounds(), (7,)),
    Plan(
        "scales-1/weigh-in_2025-09-08.csv",
        shown(
            "pounds, feet and inches",
            "",
            "holds kilograms and metres, exactly as the layout's units say",
            lambda row: len(row.many) > 1,
        ),
        (7, 8),
    ),
    Plan(
        "scales-1/weigh-in_2026-01-05.csv",
        stranger("=1+2", "a formula for a name", does="holds the line; the sheet shows it as text"),
        (59,),
    ),
)

"""Who: the roster and what is written about people over time, read from the CSV files and checked."""

from __future__ import annotations

import re
from collections.abc import Collection
from dataclasses import dataclass
from datetime import date
from itertools import combinations
from pathlib import Path

import polars as pl
from rapidfuzz import fuzz

from pipeline.facility.problems import Problem, nearest_known, shown
from pipeline.facility.sheets import Column, read_sheet, spans_backwards
from pipeline.reading.letters import plain_letters

ROSTER_FILE = "config/athletes.csv"
NEW_PEOPLE_FILE = "config/new_people.csv"
PERIODS_FILE = "config/athlete_periods.csv"
ALIASES_FILE = "config/aliases.csv"
EVENTS_FILE = "config/events.csv"
CONSENT_FILE = "config/consent.csv"

EVENT_KINDS = ("block", "camp", "season", "break", "injury", "illness")

_SEX = {
    "female": "female",
    "f": "female",
    "woman": "female",
    "w": "female",
    "male": "male",
    "m": "male",
    "man": "male",
}
_STATUS = {word: word for word in ("full", "modified", "rehab", "paused")}
_OLDEST_BIRTH = date(1904, 1, 1)  # spreadsheets count days from 1900 or 1904: day 0 is no birth date
_SAME_NAME = 85  # names this alike (per cent), born on the same day, may be one person under two ids

_FROM = Column("from", "date", "valid_from")
_UNTIL = Column("until", "date", "valid_until")
_ROSTER = (
    Column("athlete_id", filled=True),
    Column("name", filled=True),
    Column("birth_date", "date"),
    Column("sex", words=_SEX),
    Column("aliases", "list"),
)
_PERIODS = (
    Column("athlete_id", filled=True),
    _FROM,
    _UNTIL,
    Column("squad", "list"),
    Column("sport"),
    Column("position"),
    Column("competition_level"),
    Column("status", words=_STATUS),
    Column("restriction"),
)
_ALIASES = (
    Column("alias", filled=True, also=("name",)),
    Column("athlete_id", filled=True),
    Column("device"),
    _FROM,
    _UNTIL,
)
_EVENTS = (
    Column("athlete_id"),
    Column("squad"),
    Column("kind", filled=True),
    Column("label"),
    Column("from", "date", "from_date", filled=True),
    Column("until", "date", "to_date"),
)
_CONSENT = (
    Column("athlete_id", filled=True),
    Column("purpose", filled=True),
    Column("given_on", "date", filled=True),
    Column("withdrawn_on", "date"),
    Column("by", filled=True, words={word: word for word in ("athlete", "guardian")}),
)


@dataclass(frozen=True)
class People:
    """The roster and its companions; every frame but `athletes` has the `line` in its file.

    `athletes`: athlete_id, name, birth_date (Date), sex, aliases (list; never null).
    `periods`: athlete_id, valid_from, valid_until (both inclusive, null is open), squad (text `a|b`), sport,
    position, competition_level, status, restriction. `aliases`: alias, athlete_id, device, valid_from,
    valid_until. `events`: athlete_id, squad, kind (lower case), label, from_date, to_date (inclusive).
    `consents`: athlete_id, purpose (lower case), given_on, withdrawn_on (null: it stands), by.
    `ids`: the athlete_ids of the roster; None where it could not be read, so that nothing is checked by it.
    """

    athletes: pl.DataFrame
    periods: pl.DataFrame
    aliases: pl.DataFrame
    events: pl.DataFrame
    consents: pl.DataFrame
    ids: frozenset[str] | None


def read_people(folder: Path, devices: Collection[str] | None, today: date) -> tuple[People, list[Problem]]:
    """All people files of a facility folder, and all that is wrong with them.

    `devices` are those of facility.toml, None where it could not be read. Absent files have no rows.
    """
    athletes, problems = _read_roster(folder, today)
    ids = frozenset(athletes["athlete_id"].drop_nulls())
    roster_ids = None if problems and not ids else ids
    periods, found = read_sheet(folder, PERIODS_FILE, _PERIODS)
    problems += found + unknown_ids(periods, PERIODS_FILE, roster_ids)
    problems += spans_backwards(periods, PERIODS_FILE, "valid_from", "valid_until")
    aliases, found = read_sheet(folder, ALIASES_FILE, _ALIASES)
    problems += found + unknown_ids(aliases, ALIASES_FILE, roster_ids)
    problems += unknown_devices(aliases, ALIASES_FILE, devices)
    problems += spans_backwards(aliases, ALIASES_FILE, "valid_from", "valid_until")
    events, found = read_sheet(folder, EVENTS_FILE, _EVENTS)
    events = events.with_columns(pl.col("kind").str.to_lowercase())
    problems += found + unknown_ids(events, EVENTS_FILE, roster_ids) + _unknown_kinds(events)
    problems += spans_backwards(events, EVENTS_FILE, "from_date", "to_date")
    consents, found = read_sheet(folder, CONSENT_FILE, _CONSENT)
    consents = consents.with_columns(pl.col("purpose").str.to_lowercase())
    problems += found + unknown_ids(consents, CONSENT_FILE, roster_ids)
    problems += spans_backwards(consents, CONSENT_FILE, "given_on", "withdrawn_on")
    squads = pl.when(pl.col("squad").list.len() > 0).then(pl.col("squad").list.join("|"))
    periods = periods.with_columns(squads.alias("squad"))
    return People(athletes, periods, aliases, events, consents, roster_ids), problems


def unknown_ids(frame: pl.DataFrame, name: str, ids: Collection[str] | None) -> list[Problem]:
    """A problem for each row that names an athlete_id that is not on the roster."""
    if ids is None:
        return []
    rows = frame.filter(~pl.col("athlete_id").is_in(list(ids))).select("line", "athlete_id")
    return [
        Problem(name, line, "athlete_id", f"{who!r} is not on the roster; {nearest_known(who, ids)}")
        for line, who in rows.iter_rows()
    ]


def unknown_devices(frame: pl.DataFrame, name: str, devices: Collection[str] | None) -> list[Problem]:
    """A problem for each row that names a device that is not in facility.toml."""
    if devices is None:
        return []
    rows = frame.filter(~pl.col("device").is_in(list(devices))).select("line", "device")
    said = "{} is no device of config/facility.toml; {}"
    return [
        Problem(name, line, "device", said.format(shown(device), nearest_known(device, devices)))
        for line, device in rows.iter_rows()
    ]


def _read_roster(folder: Path, today: date) -> tuple[pl.DataFrame, list[Problem]]:
    """`athletes.csv` and `new_people.csv` as one; the first wins where an id is in both."""
    parts, problems = [], []
    for name in (ROSTER_FILE, NEW_PEOPLE_FILE):
        part, found = read_sheet(folder, name, _ROSTER)
        problems += found + _birth_dates(part, name, today)
        parts.append(part.with_columns(file=pl.lit(name)))
    roster = pl.concat(parts)
    problems += _repeated_ids(roster)
    roster = roster.unique("athlete_id", keep="first", maintain_order=True)
    problems += _same_people(roster)
    aliases = pl.col("aliases").fill_null(pl.lit([], pl.List(pl.String)))
    return roster.select("athlete_id", "name", "birth_date", "sex", aliases), problems


def _birth_dates(roster: pl.DataFrame, name: str, today: date) -> list[Problem]:
    problems = []
    for line, born in roster.select("line", "birth_date").drop_nulls().iter_rows():
        if born > today:
            problems.append(Problem(name, line, "birth_date", f"{born} is in the future; correct the year"))
        elif born <= _OLDEST_BIRTH:
            message = f"{born} is a spreadsheet's default date; correct it or leave the cell empty"
            problems.append(Problem(name, line, "birth_date", message))
    return problems


def _repeated_ids(roster: pl.DataFrame) -> list[Problem]:
    problems = []
    first: dict[str, tuple[str, int]] = {}
    for name, line, who in roster.select("file", "line", "athlete_id").drop_nulls().iter_rows():
        file, before = first.setdefault(who, (name, line))
        if (file, before) == (name, line):
            continue
        if file == name:
            message = f"{who!r} is already on line {before}; give every athlete an id of their own"
            problems.append(Problem(name, line, "athlete_id", message))
        else:
            message = f"{who!r} is also on line {before} of {file}, which counts"
            problems.append(Problem(name, line, "athlete_id", message, "look"))
    return problems


def _same_people(roster: pl.DataFrame) -> list[Problem]:
    """A look at athletes born on the same day with nearly the same name."""
    problems = []
    born = roster.drop_nulls(["athlete_id", "name", "birth_date"])
    born = born.filter(pl.col("birth_date").is_duplicated())
    for _, group in born.group_by("birth_date", maintain_order=True):
        for one, other in combinations(group.iter_rows(named=True), 2):
            if fuzz.token_sort_ratio(_plain(one["name"]), _plain(other["name"])) >= _SAME_NAME:
                earlier = f"{one['name']!r} ({one['athlete_id']}, line {one['line']} of {one['file']})"
                aliases = f"'{other['athlete_id']}|{other['name']}'"
                message = (
                    f"has nearly the name of {earlier} and was born on the same day; if they are one person, "
                    f"take this line out and write {aliases} into the aliases of {one['athlete_id']}"
                )
                problems.append(Problem(other["file"], other["line"], "name", message, "look"))
    return problems


def _plain(name: str) -> str:
    """A name in plain letters, without marks."""
    return re.sub(r"[^\w]+", " ", plain_letters(name))


def _unknown_kinds(events: pl.DataFrame) -> list[Problem]:
    """A look at kinds of events that are spelled in no known way."""
    rows = events.filter(~pl.col("kind").is_in(EVENT_KINDS)).select("line", "kind")
    said = "{!r} is no usual kind of event; {}"
    return [
        Problem(EVENTS_FILE, line, "kind", said.format(kind, nearest_known(kind, EVENT_KINDS)), "look")
        for line, kind in rows.iter_rows()
    ]

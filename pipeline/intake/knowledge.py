"""All that people have said, in the form that reading and resolving need it."""

from __future__ import annotations

import hashlib
from collections import defaultdict
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date, datetime
from functools import cached_property

import polars as pl

from pipeline.intake.answers import LINE_WORDS, WHOLE_FILE, Answer, LineSubject, aliases_of, line_answers_of
from pipeline.intake.corrections import withdrawn_files
from pipeline.intake.forgotten import Forgotten
from pipeline.intake.identity import DROPPED, Alias, Names, normalise


@dataclass(frozen=True)
class Clock:
    """A known error of a device's clock: `offset_seconds` [s] is added from `start` until before `end`."""

    start: datetime | None
    end: datetime | None
    offset_seconds: float


@dataclass(frozen=True)
class DeviceFacts:
    """What the facility says of a device."""

    family: str
    since: date | None
    clocks: tuple[Clock, ...] = ()


@dataclass(frozen=True)
class Knowledge:
    """What was answered and configured: with what was read, all that the resolver depends on.

    `corrections`: frame of config/corrections.csv. `line_answers`: last answer by subject. `given_names`:
    normalised names that an answer settled, with when it was given. `fingerprint` is equal where all is
    equal; `spoken` says it piece by piece, so that what changed can be found (see `changes`).
    """

    names: Names
    given_names: dict[str, datetime]
    line_answers: dict[LineSubject, Answer]
    corrections: pl.DataFrame
    timezone: str
    day_start: str
    slots: tuple[str, ...]
    devices: dict[str, DeviceFacts]
    fingerprint: str
    spoken: Mapping[str, object]

    @cached_property
    def cell_answers(self) -> dict[str, dict[tuple[int, str], str]]:
        """File (first 16 digits) -> (line, field) -> the text that a person put in place of the cell."""
        found: dict[str, dict[tuple[int, str], str]] = defaultdict(dict)
        for subject, answer in self.line_answers.items():
            if answer.answer not in LINE_WORDS:
                found[subject.file_id][(subject.line, subject.field)] = answer.answer
        return dict(found)

    @cached_property
    def withdrawn(self) -> dict[str, date | None]:
        """File (first 16 digits) -> the day on which all that it says was taken back or left out."""
        left_out = {
            subject.file_id: answer.at.date()
            for subject, answer in self.line_answers.items()
            if subject.line == WHOLE_FILE and answer.answer == DROPPED
        }
        return left_out | withdrawn_files(self.corrections)

    def by_line(self) -> dict[tuple[str, int], dict[str, str]]:
        """(file, line) -> code -> the answering word."""
        found: dict[tuple[str, int], dict[str, str]] = defaultdict(dict)
        for subject, answer in self.line_answers.items():
            if answer.answer in LINE_WORDS:
                found[(subject.file_id, subject.line)][subject.code] = answer.answer
        return dict(found)


def build_knowledge(
    athletes: list[tuple[str, str, list[str]]],
    aliases: list[Alias],
    guests: list[str],
    answers: list[Answer],
    corrections: pl.DataFrame,
    timezone: str,
    day_start: str,
    slots: tuple[str, ...],
    devices: dict[str, DeviceFacts],
    forgotten: Forgotten | None = None,
) -> Knowledge:
    """Put together the roster, the aliases, the answers, the corrections, and who was forgotten."""
    given = aliases_of(answers)
    # An answer takes the place of an older word about the same name on the same device and dates.
    answered = {alias.about for alias in given}
    aliases = [alias for alias in aliases if alias.about not in answered]
    parts = (athletes, aliases, guests, answers, corrections.to_dicts(), timezone, day_start, slots, devices)
    lines = line_answers_of(answers)
    forgotten = forgotten or Forgotten()
    # Like a setting: what hangs on a hash can't be pinned to a spelling.
    settings = (timezone, day_start, slots, devices, sorted(forgotten.hashes))
    return Knowledge(
        names=Names(athletes, [*aliases, *given], guests, forgotten),
        given_names={normalise(alias.name): at for alias, at in given.items()},
        line_answers=lines,
        corrections=corrections,
        timezone=timezone,
        day_start=day_start,
        slots=slots,
        devices=devices,
        fingerprint=_hash((*parts, sorted(forgotten.hashes))),
        spoken={
            "names": _names_by_spelling(athletes, [*aliases, *given], guests, given),
            "lines": {str(subject): [said.answer, said.at.isoformat()] for subject, said in lines.items()},
            "corrections": [
                {name: None if cell is None else str(cell) for name, cell in row.items()}
                for row in corrections.to_dicts()
            ],
            "settings": _hash(settings),
        },
    )


def _hash(parts: object) -> str:
    return hashlib.sha256(repr(parts).encode("utf-8", "surrogatepass")).hexdigest()


def _names_by_spelling(
    athletes: list[tuple[str, str, list[str]]],
    aliases: list[Alias],
    guests: list[str],
    given: Mapping[Alias, datetime],
) -> dict[str, list[str]]:
    """All that is said of each spelling: what `Names.who` goes by, and when an answer was given."""
    found: dict[str, set[str]] = defaultdict(set)
    for athlete_id, name, others in athletes:
        found[id_spelling(athlete_id)].add(f"id {athlete_id}")
        found[normalise(name)].add(f"name {athlete_id} {name}")
        for other in others:
            found[normalise(other)].add(f"alias {athlete_id}")
    for alias in aliases:
        found[normalise(alias.name)].add(f"alias {alias.athlete_id} {alias.about[1:]} {given.get(alias)}")
    for guest in guests:
        found[normalise(guest)].add("guest")
    return {spelling: sorted(said) for spelling, said in found.items()}


def id_spelling(written: str) -> str:
    """The spelling under which an athlete_id is found, apart from those of names."""
    return f"id:{written.strip().casefold()}"

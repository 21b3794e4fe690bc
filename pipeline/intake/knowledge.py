"""All that people have said, in the form that reading and resolving need it."""

from __future__ import annotations

import hashlib
from collections import defaultdict
from dataclasses import dataclass
from datetime import date, datetime

import polars as pl

from pipeline.intake.answers import LINE_WORDS, Answer, LineSubject, aliases_of, line_answers_of
from pipeline.intake.identity import Alias, Names, normalise


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
    normalised names that an answer settled, with when it was given.
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

    def overrides(self, file_id: str) -> dict[tuple[int, str], str]:
        """(line, field) -> the text put in place of the cell, for one file (first 16 digits)."""
        return {
            (subject.line, subject.field): answer.answer
            for subject, answer in self.line_answers.items()
            if subject.file_id == file_id and answer.answer not in LINE_WORDS
        }

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
) -> Knowledge:
    """Put together the roster, the aliases, the answers and the corrections."""
    given = aliases_of(answers)
    # What was answered last for a name takes the place of older words about the same name and span.
    parts = (athletes, aliases, guests, answers, corrections.to_dicts(), timezone, day_start, slots, devices)
    return Knowledge(
        names=Names(athletes, [*aliases, *given], guests),
        given_names={normalise(alias.name): at for alias, at in given.items()},
        line_answers=line_answers_of(answers),
        corrections=corrections,
        timezone=timezone,
        day_start=day_start,
        slots=slots,
        devices=devices,
        fingerprint=hashlib.sha256(repr(parts).encode("utf-8", "surrogatepass")).hexdigest(),
    )

"""Filled sheets to recorded answers: checked first, and what can't be taken is said by sheet and line."""

from __future__ import annotations

import csv
import re
from collections.abc import Callable, Iterable
from dataclasses import dataclass, field
from pathlib import Path

import polars as pl

from pipeline.facility.folder import Facility
from pipeline.facility.problems import nearest_known
from pipeline.intake.answers import (
    LINE_WORDS,
    WHOLE_FILE,
    Answer,
    LineSubject,
    append_answers,
    me,
    name_subject,
    read_answers,
)
from pipeline.intake.appended import rewrite_with_rows
from pipeline.intake.archive import utc_now
from pipeline.intake.held import NAME_CODES
from pipeline.intake.identity import DROPPED, normalise
from pipeline.intake.sheets import Filled
from schemas.codes import CODES

NEW = "new"
NEW_PEOPLE = "new_people.csv"
NEW_PEOPLE_HEADER = ("athlete_id", "name", "birth_date", "sex", "aliases")


@dataclass
class Answering:
    """What came of filled sheets: answers recorded, people added, and what could not be taken."""

    taken: int = 0
    new_people: list[str] = field(default_factory=list)
    refused: list[str] = field(default_factory=list)
    lines: list[tuple[Filled, str, int]] = field(default_factory=list)
    """Rows of sheets about a line, with its file (16 digits) and number: what came of them is told later."""


class Desk:
    """Gathers the answers of one sitting before any of it is written; `ids` are the athlete_ids known."""

    def __init__(self, facility: Facility, held: pl.DataFrame) -> None:
        self.ids = set(facility.athletes["athlete_id"])
        self.devices = facility.settings.devices
        self.held = held
        self.answers: list[Answer] = []
        self.people: dict[str, tuple[str, str]] = {}
        self.said_of: dict[str, tuple[Filled, str]] = {}
        roster = facility.athletes.select("name", "athlete_id").drop_nulls().iter_rows()
        self.named: dict[str, str] = {normalise(name): athlete_id for name, athlete_id in roster}
        self.unnamed = unnamed_people(facility.config)
        self.result = Answering()
        self.at, self.by = utc_now(), me()

    def refuse(self, row: Filled, why: str) -> None:
        """Say by sheet and line why a row can't be taken."""
        self.result.refused.append(f"{row.sheet}, line {row.line}: {why}")

    def say(self, kind: str, subject: str, answer: str) -> None:
        """Keep an answer, to be written with the others."""
        self.answers.append(Answer(self.at, self.by, kind, subject, answer))

    def say_who(self, row: Filled, name: str, device: str, person: str) -> None:
        """Who a written name is on a device: once a sitting; a second, other answer is refused."""
        subject = name_subject(name, device or None, None, None)
        before = self.said_of.setdefault(normalise(name) + "|" + device, (row, person))
        if before[0] is row:
            self.say("name", subject, person)
        elif before[1] != person:
            other = f"{before[0].sheet}, line {before[0].line}"
            self.refuse(
                row, f"'{name}' was answered otherwise on {other}; answer it once, or correct the names."
            )

    def person(self, row: Filled, name: str, code: str) -> str | None:
        """The athlete_id (or `drop`) that a sheet's answer about a name means; None where it means none."""
        answer = row.answer
        bracketed = re.search(r"\(([^()]+)\)$", answer)
        wanted = bracketed.group(1) if bracketed else answer
        if wanted.casefold() == DROPPED:
            return DROPPED
        if wanted.casefold() == NEW:
            return self._new_person(name, code == "ambiguous_name")
        known = {i.casefold(): i for i in self.ids}
        if wanted.casefold() in known:
            return str(known[wanted.casefold()])
        near = nearest_known(wanted, self.ids)
        self.refuse(row, f"'{answer}' is no athlete_id; {near}. Write an athlete_id, `new` or `drop`.")
        return None

    def _new_person(self, name: str, of_same_name: bool) -> str:
        """The id of a new person; of the one on the roster where a sheet was handed in twice."""
        key = normalise(name)
        if key in self.named and not of_same_name:
            return self.named[key]
        for athlete_id, left in self.unnamed.items():
            if key not in self.people and normalise(left) == key:
                self.people[key] = athlete_id, left
        if key not in self.people:
            number = 1
            while f"n{number:02d}" in self.ids:
                number += 1
            athlete_id = f"n{number:02d}"
            self.people[key] = athlete_id, _in_order(name)
            self.ids.add(athlete_id)
        return self.people[key][0]


def _in_order(name: str) -> str:
    """'Last, First' as 'First Last'."""
    if name.count(",") == 1:
        last, first = (part.strip() for part in name.split(","))
        name = f"{first} {last}"
    # No spreadsheet may take the name for a formula when somebody completes the row.
    return name.strip(" =+-@\t\r\n")


def take_answers(
    facility: Facility,
    held: pl.DataFrame,
    rows: Iterable[tuple[str, Filled]],
    take_suspect: Callable[[Desk, Filled], object],
) -> Answering:
    """Record the answers of filled sheets: (kind of sheet, row).

    `held`: held rows with file, line, code, field, seen, device, day. `take_suspect` takes a row about
    suspected trials. Writes config/answers.csv and
    config/new_people.csv, on disk before this returns; `athletes.csv` is never written.
    """
    desk = Desk(facility, held)
    for kind, row in rows:
        if kind == "names":
            _take_name(desk, row)
        elif kind == "suspects":
            take_suspect(desk, row)
        else:
            _take_line(desk, row)
    _add_people(facility.config, desk)
    desk.result.taken = append_answers(facility.config, desk.answers)
    return desk.result


def _take_name(desk: Desk, row: Filled) -> None:
    name, device = row.cells.get("name", ""), row.cells.get("device", "")
    if device and device not in desk.devices:
        desk.refuse(row, f"'{device}' is no device; {nearest_known(device, desk.devices)}.")
        return
    here = pl.col("device") == device if device else pl.lit(True)
    asked = desk.held.filter((pl.col("code") == "unknown_name") & here)
    if normalise(name) not in {normalise(seen) for seen in asked["seen"]}:
        desk.refuse(row, f"no line waits for '{name}' any more, so there is nothing to answer.")
        return
    person = desk.person(row, name, "unknown_name")
    if person is not None:
        desk.say_who(row, name, device, person)


def _take_line(desk: Desk, row: Filled) -> None:
    code, field_name = row.cells.get("code", ""), row.cells.get("field", "")
    file_id, line = row.cells.get("file_id", "")[:16], row.cells.get("line", "")
    if code not in CODES:
        desk.refuse(row, f"'{code}' is no code of a held line; leave the other columns as they were.")
        return
    if not line:
        _take_file(desk, row, file_id, code)
        return
    if not line.isdecimal():
        desk.refuse(row, f"'{line}' is no line number; leave the other columns as they were.")
        return
    found = desk.held.filter(
        (pl.col("file") == file_id)
        & (pl.col("line") == int(line))
        & (pl.col("code") == code)
        & (pl.col("field").fill_null("") == field_name)
    )
    if found.is_empty():
        desk.refuse(row, "this line is no longer held, so there is nothing to answer.")
        return
    subject = LineSubject(file_id, int(line), code, field_name)
    word = row.answer.casefold()
    takes_value = bool(field_name) and not _words_for(code)
    before = len(desk.answers)
    if code in NAME_CODES and word != DROPPED:
        _take_held_name(desk, row, found.row(0, named=True), subject)
    elif word in {DROPPED, *_words_for(code)}:
        desk.say("line", str(subject), word)
    elif takes_value and word not in LINE_WORDS:
        desk.say("line", str(subject), row.answer)
    else:
        allowed = [*_words_for(code), DROPPED, *(["the right value for the cell"] if takes_value else [])]
        desk.refuse(row, f"'{row.answer}' does not answer {code}; expected: {', '.join(allowed)}.")
    if len(desk.answers) > before:
        desk.result.lines.append((row, file_id, int(line)))


def _take_file(desk: Desk, row: Filled, file_id: str, code: str) -> None:
    """An answer about a file that waits as a whole: it can be left out, and that is all."""
    if row.answer.casefold() == DROPPED:
        desk.say("line", str(LineSubject(file_id, WHOLE_FILE, code, "")), DROPPED)
    else:
        desk.refuse(row, f"the whole file waits. {CODES[code].remedy} Or answer `drop` to leave it out.")


def _words_for(code: str) -> tuple[str, ...]:
    """The words, beside `drop`, that answer a code; none where a value for the field does."""
    words = {
        "key_conflict": ("ok",),
        "changed_at_source": ("ok",),
        "possible_reexport": ("second_session", "correction"),
    }
    return words.get(code, ())


def _take_held_name(desk: Desk, row: Filled, held: dict[str, object], subject: LineSubject) -> None:
    """A name answered on one line: for all lines of that name and device; where several people share the
    name, for that line only, as if the id stood in its cell."""
    name, device = str(held["seen"]), str(held["device"])
    person = desk.person(row, name, subject.code)
    if person is None:
        return
    if subject.code == "ambiguous_name":
        desk.say("line", str(subject), person)
    else:
        desk.say_who(row, name, device, person)


def _add_people(config: Path, desk: Desk) -> None:
    if not desk.people:
        return
    added = {athlete_id: name for athlete_id, name in desk.people.values() if athlete_id not in desk.unnamed}
    rows = [(athlete_id, name, "", "", "") for athlete_id, name in added.items()]
    rewrite_with_rows(config / NEW_PEOPLE, NEW_PEOPLE_HEADER, rows)
    desk.result.new_people = [f"{athlete_id} {name}" for athlete_id, name in desk.people.values()]


def unnamed_people(config: Path) -> dict[str, str]:
    """athlete_id -> name of the new people whom no answer names and nobody has completed: a sitting that was
    cut off left them."""
    if not (config / NEW_PEOPLE).exists():
        return {}
    named = {answer.answer for answer in read_answers(config)}
    with (config / NEW_PEOPLE).open(encoding="utf-8-sig", newline="", errors="replace") as stream:
        rows = [row for row in csv.reader(stream) if len(row) == len(NEW_PEOPLE_HEADER)]
    return {row[0]: row[1] for row in rows[1:] if row[0] not in named and not any(row[2:])}

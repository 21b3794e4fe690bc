"""What people answered: `config/answers.csv`, append-only, each answer with who and when.

Two kinds. `name`: subject `written name|device|from|until`, answer an athlete_id or `drop`. `line`: subject
`file:line:code:field` (file: the first 16 digits), answer `ok`, `drop`, `second_session`, `correction`, or
the text to put in place of the cell. A line whose `takes_back` is the `at` of an earlier one with the same
subject undoes that one.
"""

from __future__ import annotations

import csv
import getpass
from collections.abc import Iterable
from dataclasses import dataclass
from datetime import date, datetime
from pathlib import Path

from pipeline.formulas import plain, safe
from pipeline.intake.appended import append_rows
from pipeline.intake.identity import Alias

HEADER = ("at", "by", "kind", "subject", "answer", "takes_back")
FILE = "answers.csv"
WHOLE_FILE = 0
"""In place of a line's number: the answer is about the whole file."""
LINE_WORDS = frozenset({"ok", "drop", "second_session", "correction"})


@dataclass(frozen=True)
class Answer:
    """One answer of one person."""

    at: datetime
    by: str
    kind: str
    subject: str
    answer: str
    takes_back: str = ""


@dataclass(frozen=True)
class LineSubject:
    """What an answer about a line is about."""

    file_id: str
    line: int
    code: str
    field: str

    def __str__(self) -> str:
        """As written in the file of answers."""
        return f"{self.file_id}:{self.line}:{self.code}:{self.field}"


def name_subject(name: str, device: str | None, start: date | None, until: date | None) -> str:
    """The subject of an answer about a written name."""
    parts = (name.replace("|", " "), device or "", start or "", until or "")
    return "|".join(str(part) for part in parts)


def me() -> str:
    """Who gives the answer: the user of this computer."""
    try:
        return getpass.getuser()
    except (OSError, KeyError, ImportError):
        return "unknown"


def append_answers(config: Path, answers: Iterable[Answer]) -> int:
    """Write answers to disk before this returns; how many."""
    rows = [(a.at.isoformat(), a.by, a.kind, safe(a.subject), safe(a.answer), a.takes_back) for a in answers]
    if rows:
        append_rows(config / FILE, HEADER, rows)
    return len(rows)


def read_answers(config: Path, until: datetime | None = None) -> list[Answer]:
    """All answers that stand, in order; those taken back are left out. `until`: those given before it."""
    file = config / FILE
    if not file.exists():
        return []
    answers: list[Answer] = []
    with file.open(encoding="utf-8-sig", newline="", errors="surrogateescape") as stream:
        for row in csv.reader(stream):
            answer = _answer_of(row)
            if answer is None or (until is not None and answer.at >= until):
                continue
            if answer.takes_back:
                answers = [a for a in answers if not _undone(a, answer)]
            if answer.answer:
                answers.append(answer)
    return answers


def _undone(old: Answer, by: Answer) -> bool:
    return old.subject == by.subject and old.at.isoformat() == by.takes_back


def _answer_of(row: list[str]) -> Answer | None:
    if len(row) != len(HEADER) or row[0] == HEADER[0]:
        return None
    try:
        at = datetime.fromisoformat(row[0])
    except ValueError:
        return None
    by, kind, subject, answer, takes_back = row[1:]
    return Answer(at, by, kind, plain(subject), plain(answer), takes_back)


def aliases_of(answers: Iterable[Answer]) -> dict[Alias, datetime]:
    """The aliases that answers about names make, with when each was given; a later one takes the place of
    an earlier one about the same name, device and dates."""
    latest: dict[object, tuple[Alias, datetime]] = {}
    for given in answers:
        if given.kind == "name":
            name, device, start, until = [*given.subject.split("|"), "", "", ""][:4]
            alias = Alias(name, given.answer, device or None, _day(start), _day(until))
            latest[alias.about] = alias, given.at
    return dict(latest.values())


def _day(text: str) -> date | None:
    return date.fromisoformat(text) if text else None


def line_answers_of(answers: Iterable[Answer]) -> dict[LineSubject, Answer]:
    """The last answer about each line, code and field."""
    found: dict[LineSubject, Answer] = {}
    for answer in answers:
        if answer.kind != "line":
            continue
        file_id, line, code, field = answer.subject.split(":", 3)
        found[LineSubject(file_id, int(line), code, field)] = answer
    return found

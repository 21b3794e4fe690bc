"""Answers listed and taken back: the line that undoes one is appended, none is ever removed."""

from __future__ import annotations

from pipeline.facility.folder import Facility
from pipeline.intake.answers import Answer, append_answers, me, read_answers
from pipeline.intake.archive import utc_now
from pipeline.intake.identity import normalise


def answers_meant(facility: Facility, which: str) -> list[Answer]:
    """The standing answers that somebody means: those given at a moment (its beginning is enough, such as
    `2026-02-28T10:15`), or those about a written name. All answers of one sitting have one moment."""
    standing = read_answers(facility.config)
    at = [answer for answer in standing if answer.at.isoformat().startswith(which.strip().replace(" ", "T"))]
    if at:
        return at
    name = normalise(which)
    about = (answer for answer in standing if answer.kind == "name")
    return [answer for answer in about if normalise(answer.subject.split("|")[0]) == name]


def take_back(facility: Facility, answers: list[Answer]) -> None:
    """Undo these answers, on disk before this returns; what they had released waits again."""
    now, by = utc_now(), me()
    append_answers(
        facility.config,
        [Answer(now, by, one.kind, one.subject, "", one.at.isoformat()) for one in answers],
    )

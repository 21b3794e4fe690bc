"""Answers about suspected trials: what they change of rows, and what the screening step goes by.

Kept in `config/answers.csv` as the kind `suspect`. Subject: `code|lines|field|test|multiplier` (`lines` as
`screening.questions.places_text` writes them, `field` the column that an answer would change, `test` the test
whose column it is, or the two words `a/b` that may be mixed up). Answer: `ok` (it is right, never asked
again), `drop` (strike these lines), `convert` (multiply the column of these lines), `swap` (each of the two
words for the other), `free` (the arms were free), or an athlete_id (move them).
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass
from datetime import datetime

import polars as pl

from pipeline.analysis.screening.questions import Places, places_of
from pipeline.analysis.screening.screening import Known
from pipeline.facility.folder import Facility
from pipeline.facility.testing_days import absent, planned
from pipeline.intake.answers import Answer, read_answers
from pipeline.intake.identity import DROPPED
from schemas.tables import TRIAL_TABLES

KIND = "suspect"
OK, CONVERT, SWAP, FREE = "ok", "convert", "swap", "free"


@dataclass(frozen=True)
class Subject:
    """What an answer about suspected trials is about."""

    code: str
    places: str
    field: str = ""
    test: str = ""
    multiplier: str = ""

    def __str__(self) -> str:
        """As written in the file of answers."""
        parts = (self.code, self.places, self.field, self.test, self.multiplier)
        return "|".join(parts).rstrip("|")

    @classmethod
    def of(cls, text: str) -> Subject:
        """Read back; ValueError where the lines are none."""
        parts = [*text.split("|"), "", "", "", ""][:5]
        places_of(parts[1])
        return cls(*parts)

    @property
    def lines(self) -> Places:
        """The lines of each file."""
        return places_of(self.places)


def suspect_answers(answers: Iterable[Answer]) -> Iterator[tuple[Subject, Answer]]:
    """The answers of this kind, in the order given; a subject that can't be read is passed over."""
    for answer in answers:
        if answer.kind == KIND:
            try:
                yield Subject.of(answer.subject), answer
            except ValueError:
                continue


def corrections_with(corrections: pl.DataFrame, answers: Iterable[Answer]) -> pl.DataFrame:
    """The corrections of the config, and after them those that answers about suspects make.

    These have no `line`, and in their place `lines` (of the file) and `at` (when it was answered).
    """
    more = [row for subject, answer in suspect_answers(answers) for row in _corrections(subject, answer)]
    widened = corrections.with_columns(
        lines=pl.lit(None, dtype=pl.List(pl.Int32)), at=pl.lit(None, dtype=pl.Datetime("us"))
    )
    rows = pl.DataFrame(more, schema=widened.schema) if more else widened.clear()
    return pl.concat([widened, rows])


def _corrections(subject: Subject, answer: Answer) -> Iterator[dict[str, object]]:
    """A correction a file that the answer is about; none for `ok`."""
    actions = {DROPPED: "strike", CONVERT: "convert", SWAP: "swap", FREE: "supply", OK: None}
    action = actions.get(answer.answer, "move")
    if action is None:
        return
    values = {"convert": subject.multiplier, "swap": subject.test, "supply": FREE, "move": answer.answer}
    for file_id, lines in subject.lines.items():
        yield {
            "made_on": answer.at.date(),
            "made_by": answer.by,
            "why": f"answer to {subject.code}",
            "file_id": file_id,
            "lines": lines,
            "at": answer.at,
            "action": action,
            # Of filing it is what changes; of units, whose column it is.
            "test": (subject.test or None) if subject.code == "unit_suspect" else None,
            "field": subject.field or None,
            "value": values.get(action),
        }


def known_of(facility: Facility, tables: Mapping[str, pl.DataFrame], until: datetime | None = None) -> Known:
    """What people said that screening goes by. `tables`: the trial tables and superseded_rows; `until`:
    answers given before then."""
    days = planned(facility.testing_days, facility.periods, facility.athletes)
    devices = facility.settings.devices.items()
    return Known(
        expected=days.select("athlete_id", "local_date").unique(),
        absent=absent(facility.testing_days, facility.events),
        settled=_settled(read_answers(facility.config, until), tables),
        all_count=[name for name, device in devices if device.all_trials_count],
    )


def _settled(answers: list[Answer], tables: Mapping[str, pl.DataFrame]) -> pl.DataFrame:
    """code, row_id of rows that somebody said are right; by any of their versions' lines, so that a later
    export that says the same does not ask anew."""
    said = [
        (subject.code, file_id, line)
        for subject, answer in suspect_answers(answers)
        if answer.answer == OK
        for file_id, lines in subject.lines.items()
        for line in lines
    ]
    schema = {"code": pl.String, "file_id": pl.String, "line": pl.Int32}
    asked = pl.DataFrame(said, schema=schema, orient="row")
    places = [tables[name].select("row_id", "file_id", "line") for name in (*TRIAL_TABLES, "superseded_rows")]
    return asked.join(pl.concat(places), on=["file_id", "line"]).select("code", "row_id").unique()

"""`held/suspects.csv`: the questions about suspected trials, written for a person and taken back as
answers."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import datetime
from typing import Any
from zoneinfo import ZoneInfo

import polars as pl

from pipeline.facility.folder import Facility
from pipeline.formulas import safe
from pipeline.intake.answering import Desk
from pipeline.intake.identity import DROPPED, Names
from pipeline.intake.sheets import SUSPECTS_FILE, SUSPECTS_HEADER, Filled, write_one
from pipeline.intake.suspects import CONVERT, FREE, KIND, OK, SWAP, Subject
from schemas.codes import CODES

_UNIT, _IDENTITY = "unit_suspect", "identity_suspect"


def write_suspects(facility: Facility, names: Names, suspects: pl.DataFrame) -> None:
    """Make the sheet say what is asked now; no sheet where nothing is. What is filled in already is kept."""
    zone = ZoneInfo(facility.settings.timezone)
    rows = [
        tuple(safe("" if cell is None else str(cell)) for cell in _cells(row, names, zone))
        for row in suspects.iter_rows(named=True)
    ]
    write_one(facility.held, SUSPECTS_FILE, SUSPECTS_HEADER, rows)


def subject_of(row: dict[str, Any]) -> Subject:
    """What an answer to a row of `_suspects` is about."""
    if row["code"] != _UNIT:
        return Subject(row["code"], row["places"], row["field"] or "", row["test"] or "")
    multiplier = f"{1 / row['ratio']:.9g}" if row["complete"] else ""
    return Subject(row["code"], row["places"], row["field"], row["test"] or "", multiplier)


def _cells(row: dict[str, Any], names: Names, zone: ZoneInfo) -> Iterator[object]:
    subject = subject_of(row)
    yield row["code"]
    yield "several" if row["athlete_id"] is None else names.shown(row["athlete_id"])
    yield row["device"]
    yield row["local_date"]
    yield _span(row["first_at"], row["last_at"], zone)
    yield seen_in_words(row)
    yield proposed_in_words(row, names)
    yield ""
    yield subject.places
    yield subject.field
    yield subject.test
    yield subject.multiplier


def _span(first: datetime | None, last: datetime | None, zone: ZoneInfo) -> str:
    if first is None or last is None:
        return ""
    ends = [f"{at.replace(tzinfo=ZoneInfo('UTC')).astimezone(zone):%H:%M}" for at in (first, last)]
    return " to ".join(dict.fromkeys(ends))


def seen_in_words(row: dict[str, Any]) -> str:
    """How many trials or values are asked about, and what is odd about them."""
    count = row["n_trials"]
    if row["code"] == _UNIT:
        return f"{count} value(s), the first {row['value']:.6g} {row['unit']}"
    if row["code"] != _IDENTITY:
        return f"{count} trial(s). {CODES[row['code']].sentence}"
    if row["away"] is None:
        return f"{count} trial(s) of somebody who was away that day"
    side = "above" if row["away"] > 0 else "below"
    return f"{count} trial(s), {abs(row['away']):.1f} usual spreads {side} the own level"


def proposed_in_words(row: dict[str, Any], names: Names) -> str:
    """The best guess."""
    if row["code"] == _UNIT:
        converted = f"{row['proposed']:.6g} {row['unit']} when converted"
        ratio = f"{row['ratio']:.5g} times the own level; {converted}"
        return (
            f"{CONVERT}: {ratio}"
            if row["complete"]
            else f"{ratio}; others of these lines fit, so `{CONVERT}` can't part them"
        )
    if "/" in (row["test"] or ""):
        return f"{SWAP}: {' and '.join(row['test'].split('/'))} are mixed up"
    if row["field"] == "hands":
        return f"{FREE}: the arms were free"
    return f"like {names.shown(row['like_athlete_id'])}" if row["like_athlete_id"] else ""


def take_suspect(desk: Desk, row: Filled, suspects: pl.DataFrame) -> Subject | None:
    """Record what a filled row of the sheet answers; the subject, or None where it was refused."""
    cells = row.cells
    subject = Subject(*(cells.get(name, "") for name in ("code", "lines", "field", "test", "multiplier")))
    asked = {str(subject_of(one)): one for one in suspects.iter_rows(named=True)}
    if str(subject) not in asked:
        desk.refuse(row, "this is no longer asked; leave the other columns as they were.")
        return None
    known = {word: word for word in (OK, DROPPED)}
    if subject.multiplier:
        known[CONVERT] = CONVERT
    if "/" in subject.test:
        known[SWAP] = SWAP
    elif subject.field == "hands":
        known[FREE] = FREE
    if subject.code == _IDENTITY:
        known |= {athlete_id.casefold(): athlete_id for athlete_id in desk.ids}
    answer = known.get(_meant(row.answer).casefold())
    if answer is None:
        more = ", or an athlete_id" if subject.code == _IDENTITY else ""
        words = ", ".join(word for word in (OK, DROPPED, CONVERT, SWAP, FREE) if word in known)
        why = f"'{row.answer}' does not answer {subject.code}; expected: {words}{more}."
        if row.answer.strip().casefold() == CONVERT and subject.code == _UNIT:
            why = (
                "these lines have other values of the same column that fit, and all would be converted; "
                "correct single values with `supply` in config/corrections.csv, or export the lines again."
            )
        desk.refuse(row, why)
        return None
    if answer == asked[str(subject)]["athlete_id"]:
        answer = OK
    desk.say(KIND, str(subject), answer)
    return subject


def _meant(answer: str) -> str:
    """The athlete_id of 'Ana Prado (a01)', as the sheet shows people."""
    return answer.rsplit("(", 1)[1][:-1] if answer.endswith(")") and "(" in answer else answer


def without(suspects: pl.DataFrame, answered: list[Subject]) -> pl.DataFrame:
    """The questions that are still open."""
    done = {str(subject) for subject in answered}
    keep = [str(subject_of(row)) not in done for row in suspects.iter_rows(named=True)]
    return suspects.filter(pl.Series(keep, dtype=pl.Boolean))

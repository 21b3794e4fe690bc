"""What stands in the sheets of `held/`: rows that wait, with their original lines, and unknown names."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import date
from typing import Any

import polars as pl

from pipeline.facility.folder import Facility
from pipeline.formulas import safe
from pipeline.intake.held import NAME_CODES
from pipeline.intake.knowledge import Knowledge
from pipeline.intake.originals import original_lines
from pipeline.intake.sheets import HELD_HEADER, NAMES_FILE, NAMES_HEADER, sheet_name
from schemas.codes import CODES

_LONGEST = 2_000

Sheets = dict[str, tuple[tuple[str, ...], list[tuple[str, ...]]]]


def sheets_of(facility: Facility, knowledge: Knowledge, waiting: pl.DataFrame) -> Sheets:
    """A sheet for each file that waits: name -> (header, rows). `waiting`: see `held_with_context`."""
    asked = waiting.unique("question", keep="first", maintain_order=True)
    sheets: Sheets = {}
    for part in asked.sort("drop_no", "line", "code", "field").partition_by("drop_no", maintain_order=True):
        file_id, path, layout = part.select("file_id", "path", "layout").row(0)
        originals = original_lines(
            facility, file_id, path, layout, part["line"].drop_nulls().unique().to_list()
        )
        rows = [_held_row(row, originals) for row in told_in_full(part, facility, knowledge)]
        sheets[sheet_name(path, file_id)] = (HELD_HEADER, rows)
    return sheets


def told_in_full(waiting: pl.DataFrame, facility: Facility, knowledge: Knowledge) -> Iterator[dict[str, Any]]:
    """Rows that wait, for the eyes of the facility alone: their `reason` says who a name may be, and how
    people of one name differ."""
    births = dict(facility.athletes.select("athlete_id", "birth_date").iter_rows())
    for row in waiting.iter_rows(named=True):
        code, people = CODES[str(row["code"])], _candidates(row, knowledge)
        if people:
            word = "It may be" if code.code == "ambiguous_name" else "Nearest"
            listed = ", ".join(_told_apart(people, knowledge, births))
            row["reason"] = f"{code.sentence} {word}: {listed}."
        yield row


def _told_apart(people: tuple[str, ...], knowledge: Knowledge, births: dict[str, date | None]) -> list[str]:
    """Name and id of each; those of one name with their birth dates. The id stands last, in brackets: copied
    whole it is an answer."""
    shown = [knowledge.names.shown(athlete_id) for athlete_id in people]
    names = [name.rpartition(" (")[0] for name in shown]
    told = []
    for athlete_id, whole, name in zip(people, shown, names, strict=True):
        born = births.get(athlete_id)
        alike = name and born and names.count(name) > 1
        told.append(f"{name}, born {born} ({athlete_id})" if alike else whole)
    return told


def _held_row(row: dict[str, Any], originals: dict[int, str]) -> tuple[str, ...]:
    code = CODES[str(row["code"])]
    line = row["line"]
    cells = (
        str(row["file_id"])[:16],
        "" if line is None else str(line),
        code.code,
        row["field"] or "",
        row["seen"] or "",
        row["reason"],
        code.remedy,
        "",
        _clipped(originals.get(line, "")) if isinstance(line, int) else "",
    )
    return tuple(safe(str(cell)) for cell in cells)


def _candidates(row: dict[str, Any], knowledge: Knowledge) -> tuple[str, ...]:
    """The people that a name may be, where that is what is asked: of a guest nobody is."""
    if row["code"] not in NAME_CODES or row["code"] == "guest":
        return ()
    who = knowledge.names.who(row["seen"], row["device"], row["day"])
    return who.candidates or tuple(knowledge.names.nearest(row["seen"]))


def _clipped(text: str) -> str:
    """A line as a spreadsheet can show it."""
    return text if len(text) <= _LONGEST else text[:_LONGEST] + " ... the whole line is in the archive"


def names_sheet(waiting: pl.DataFrame, knowledge: Knowledge) -> Sheets:
    """The sheet of all unknown names, those with most lines first; none where no name waits.

    `waiting`: all open held rows as `waiting.held_with_context` gives them.
    """
    names = waiting.filter(pl.col("code") == "unknown_name").unique(
        "question", keep="first", maintain_order=True
    )
    if names.is_empty():
        return {}
    asked = (
        names.group_by("seen", "device", maintain_order=True)
        .agg(rows=pl.len(), first=pl.col("day").min(), last=pl.col("day").max())
        .sort("rows", "seen", "device", descending=[True, False, False])
    )
    near = {name: knowledge.names.nearest(name) for name in asked["seen"].unique()}
    rows = []
    for row in asked.iter_rows(named=True):
        guesses = [*map(knowledge.names.shown, near[row["seen"]]), "", "", ""][:3]
        cells = (row["seen"], row["device"], row["rows"], row["first"], row["last"], *guesses, "")
        rows.append(tuple(safe("" if cell is None else str(cell)) for cell in cells))
    return {NAMES_FILE: (NAMES_HEADER, rows)}

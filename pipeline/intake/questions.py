"""What stands in the sheets of `held/`: rows that wait, with their original lines, and unknown names."""

from __future__ import annotations

import polars as pl

from pipeline.facility.folder import Facility
from pipeline.intake.knowledge import Knowledge
from pipeline.intake.originals import original_lines
from pipeline.intake.resolve import Resolved
from pipeline.intake.sheets import HELD_HEADER, NAMES_FILE, NAMES_HEADER, safe, sheet_name
from pipeline.intake.traces import with_questions
from schemas.codes import CODES

_LONGEST = 2_000

Sheets = dict[str, tuple[tuple[str, ...], list[tuple[str, ...]]]]


def sheets_of(
    facility: Facility,
    knowledge: Knowledge,
    drops: pl.DataFrame,
    read: dict[str, pl.DataFrame],
    resolved: Resolved,
) -> Sheets:
    """All sheets: name -> (header, rows). Only what is open is asked."""
    waiting = resolved.held.filter(pl.col("state") == "open").join(
        drops.select("drop_no", "file_id", "path", "layout", "device"), on="drop_no"
    )
    waiting = with_questions(waiting, drops, read).unique("question", keep="first", maintain_order=True)
    sheets: Sheets = {}
    for part in waiting.sort("drop_no", "line", "code", "field").partition_by("drop_no", maintain_order=True):
        file_id, path, layout = part.select("file_id", "path", "layout").row(0)
        originals = original_lines(
            facility, file_id, path, layout, part["line"].drop_nulls().unique().to_list()
        )
        rows = [_held_row(row, originals, knowledge) for row in part.iter_rows(named=True)]
        sheets[sheet_name(path, file_id)] = (HELD_HEADER, rows)
    names = _name_rows(waiting, read, knowledge)
    if names:
        sheets[NAMES_FILE] = (NAMES_HEADER, names)
    return sheets


def _held_row(row: dict[str, object], originals: dict[int, str], knowledge: Knowledge) -> tuple[str, ...]:
    code = CODES[str(row["code"])]
    line = row["line"]
    reason = str(row["reason"])
    if row["candidates"]:
        people = ", ".join(knowledge.names.shown(i) for i in str(row["candidates"]).split(";"))
        word = "It may be" if code.code == "ambiguous_name" else "Nearest"
        reason = f"{code.sentence} {word}: {people}."
    cells = (
        str(row["file_id"])[:16],
        "" if line is None else str(line),
        code.code,
        row["field"] or "",
        row["seen"] or "",
        reason,
        code.remedy,
        "",
        _clipped(originals.get(line, "")) if isinstance(line, int) else "",
    )
    return tuple(safe(str(cell)) for cell in cells)


def _clipped(text: str) -> str:
    """A line as a spreadsheet can show it."""
    return text if len(text) <= _LONGEST else text[:_LONGEST] + " ... the whole line is in the archive"


def _name_rows(
    waiting: pl.DataFrame, read: dict[str, pl.DataFrame], knowledge: Knowledge
) -> list[tuple[str, ...]]:
    """A row for each unknown name and device, those with most lines first."""
    names = waiting.filter(pl.col("code") == "unknown_name")
    if names.is_empty():
        return []
    dates = pl.concat(
        [frame.select("drop_no", "line", day=pl.col("local").dt.date()) for frame in read.values()]
    )
    spans = names.join(dates.unique(["drop_no", "line"]), on=["drop_no", "line"], how="left")
    asked = (
        spans.group_by("seen", "device", "candidates", maintain_order=True)
        .agg(rows=pl.len(), first=pl.col("day").min(), last=pl.col("day").max())
        .sort("rows", "seen", "device", descending=[True, False, False])
    )
    rows = []
    for row in asked.iter_rows(named=True):
        near = [knowledge.names.shown(i) for i in (row["candidates"] or "").split(";") if i]
        guesses = [*near, "", "", ""][:3]
        cells = (row["seen"], row["device"], row["rows"], row["first"], row["last"], *guesses, "")
        rows.append(tuple(safe("" if cell is None else str(cell)) for cell in cells))
    return rows

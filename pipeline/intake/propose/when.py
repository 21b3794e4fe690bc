"""A layout's `performed_at`: where date and time stand, their format with its proof, or the question."""

from __future__ import annotations

import re

from pipeline.intake.propose.assign import FamilyMap, Weigher
from pipeline.intake.propose.choices import Choice
from pipeline.intake.propose.draft import DOUBTFUL, Draft, toml
from pipeline.intake.propose.moments import find_moment, writes_months
from pipeline.intake.propose.sniff import Sheet


def write_moment(draft: Draft, sheet: Sheet, best: FamilyMap, weigher: Weigher) -> None:
    """When it was done: one column, or a date and a time."""
    draft.table("columns.performed_at")
    whole, day, clock = (best.matches.get(name) for name in ("performed_at", "date", "time"))
    parts = [whole] if whole else [part for part in (day, clock) if part is not None]
    if not whole and not day:
        _no_date(draft, sheet, weigher)
        return
    above = [part.column.name.written not in sheet.names for part in parts]
    if len(set(above)) > 1:
        said = f"{parts[1].column.name.written!r} has the time, but stands elsewhere than the date: left out"
        draft.comment(said, DOUBTFUL)
        draft.choices.append(Choice("columns.performed_at", "", said, "doubtful"))
        parts = parts[:1]
    source = "preamble" if above[0] else "from"
    names = [part.column.name.written for part in parts]
    reason = (
        "the cells are dates and times" if whole or clock else "the cells are dates; no time of day is known"
    )
    draft.choose(
        f"columns.performed_at.{source}", f"{source} = {toml(names if len(names) > 1 else names[0])}", reason
    )
    moments = [find_moment(part.column.texts, part.column.lines) for part in parts]
    tail = f" {moments[1].formats[0]}" if len(moments) > 1 and moments[1] else ""
    first = moments[0]
    if first is None:
        return
    formats = [f"format = {toml(fmt + tail)}" for fmt in first.formats]
    if len(formats) == 1:
        draft.choose("columns.performed_at.format", formats[0], first.proof, tell=True)
    else:
        advice = "take the right line in, and look at an export of another day to be sure"
        draft.ask("columns.performed_at.format", formats, f"{first.proof}; {advice}")


def _no_date(draft: Draft, sheet: Sheet, weigher: Weigher) -> None:
    written = [column for column in weigher.all if writes_months(column.texts)]
    if written:
        name = written[0].name.written
        said = f"{name!r} writes the month as a word ({written[0].words[0]!r}), which no format reads"
        advice = "let the device write numbers, or save it as .xlsx in a spreadsheet: its date cells are read"
        draft.ask("columns.performed_at", [f"from = {toml(name)}"], f"{said}: {advice}")
        return
    if found := _date_in(sheet.name):
        pattern, fmt, text = found
        draft.choose(
            "columns.performed_at.filename",
            f"filename = {toml(pattern)}",
            f"no column has a date; the file's name has {text}: is it the day of the test, or of the export?",
            "doubtful",
        )
        draft.choose("columns.performed_at.format", f"format = {toml(fmt)}", "the year stands first")
        return
    draft.ask("columns.performed_at", ['from = "..."', 'format = "..."'], "no column is a date; which is it?")


def _date_in(name: str) -> tuple[str, str, str] | None:
    """A date with the year first in a file's name: a pattern for it, its format, its text."""
    if found := re.search(r"20\d\d-[01]\d-[0-3]\d", name):
        return r"(?P<performed_at>20\d\d-\d\d-\d\d)", "%Y-%m-%d", found[0]
    if found := re.search(r"(?<!\d)20\d\d[01]\d[0-3]\d(?!\d)", name):
        return r"(?<!\d)(?P<performed_at>20\d\d\d\d\d\d)(?!\d)", "%Y%m%d", found[0]
    return None

"""Dates as spreadsheets write them, read a column at a time and never guessed."""

from __future__ import annotations

import re
from collections.abc import Mapping
from datetime import date

_MIDNIGHT = re.compile(r"[T ]0?0:00(:00(\.0+)?)?$")
_YEAR_FIRST = re.compile(r"(\d{4})[-/.](\d{1,2})[-/.](\d{1,2})")
_DOTTED = re.compile(r"(\d{1,2})\. ?(\d{1,2})\. ?(\d{4})")
_EITHER_ORDER = re.compile(r"(\d{1,2})[/-](\d{1,2})[/-](\d{4})")
_WORDED = re.compile(r"(\d{1,2})\.?[ -]([A-Za-z]{3,9})\.?,?[ -](\d{4})")
_MONTHS = (
    "january",
    "february",
    "march",
    "april",
    "may",
    "june",
    "july",
    "august",
    "september",
    "october",
    "november",
    "december",
)
_ADVICE = "write dates as 2026-02-28"


def read_dates(cells: Mapping[int, str]) -> tuple[dict[int, date], dict[int, str]]:
    """The dates of a column by line, and by line what is wrong with the others.

    2026-02-28, 28.02.2026 and 28 Feb 2026 say themselves what is what. 28/02/2026 and 02/28/2026 are taken
    only where a day above 12 somewhere in the column proves the order; where none does, it is one fault, on
    the first line concerned.
    """
    dates: dict[int, date] = {}
    faults: dict[int, str] = {}
    open_order: dict[int, tuple[int, int, int]] = {}
    for line, cell in cells.items():
        text = _MIDNIGHT.sub("", cell.strip())
        if found := _EITHER_ORDER.fullmatch(text):
            open_order[line] = (int(found[1]), int(found[2]), int(found[3]))
            continue
        day = _plain(text)
        if day is None:
            faults[line] = f"{cell!r} is no date; {_ADVICE}"
        else:
            dates[line] = day
    ordered, unordered = _by_order(open_order, cells)
    return dates | ordered, faults | unordered


def _plain(text: str) -> date | None:
    """A date whose writing leaves no doubt about its order."""
    if found := _YEAR_FIRST.fullmatch(text):
        return _date(int(found[1]), int(found[2]), int(found[3]))
    if found := _DOTTED.fullmatch(text):
        return _date(int(found[3]), int(found[2]), int(found[1]))
    if found := _WORDED.fullmatch(text):
        word = found[2].lower()
        month = next((i for i, name in enumerate(_MONTHS, 1) if name.startswith(word)), 0)
        return _date(int(found[3]), month, int(found[1]))
    return None


def _date(year: int, month: int, day: int) -> date | None:
    try:
        return date(year, month, day)
    except ValueError:
        return None


def _by_order(
    parts: Mapping[int, tuple[int, int, int]], cells: Mapping[int, str]
) -> tuple[dict[int, date], dict[int, str]]:
    """Dates written with the day first or the month first, whichever the whole column proves."""
    day_first = [line for line, (first, second, _) in parts.items() if first > 12 >= second]
    month_first = [line for line, (first, second, _) in parts.items() if second > 12 >= first]
    if day_first and month_first:
        one, other = cells[day_first[0]], cells[month_first[0]]
        said = f"{other!r} has the month first, but {one!r} on line {day_first[0]} the day; {_ADVICE}"
        return {}, {month_first[0]: said}
    doubtful = [line for line, (first, second, _) in parts.items() if first != second]
    if doubtful and not day_first and not month_first:
        either = f"{cells[doubtful[0]]!r} may be day/month or month/day"
        return {}, {doubtful[0]: f"{either}, and nothing in this column says which; {_ADVICE}"}
    dates: dict[int, date] = {}
    faults: dict[int, str] = {}
    for line, (first, second, year) in parts.items():
        day = _date(year, first, second) if month_first else _date(year, second, first)
        if day is None:
            faults[line] = f"{cells[line]!r} is no date; {_ADVICE}"
        else:
            dates[line] = day
    return dates, faults

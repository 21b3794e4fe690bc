"""What changed in what people said: the spellings, files and days about which something is said otherwise.

Pure. Works on `Knowledge.spoken` as the last intake left it and as it is now.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date
from typing import Any

from pipeline.intake.identity import normalise
from pipeline.intake.knowledge import id_spelling

Spoken = Mapping[str, Any]
_DIGITS = 16


@dataclass(frozen=True)
class Changed:
    """What is said otherwise now: `spellings` (normalised names and ids), `files` (16 digits), `days` (local
    dates of rows); `everything` where it can't be said of what."""

    everything: bool = False
    spellings: frozenset[str] = frozenset()
    files: frozenset[str] = frozenset()
    days: frozenset[date] = frozenset()

    def names(self, written: str) -> bool:
        """Whether it may be said otherwise who a written name is."""
        return normalise(written) in self.spellings or id_spelling(written) in self.spellings


def changed(before: Spoken | None, now: Spoken) -> Changed:
    """The difference between what was said before (None: nothing is known of it) and what is said now."""
    if before is None or before["settings"] != now["settings"]:
        return Changed(everything=True)
    subjects = _differing(before["lines"], now["lines"])
    files = {subject.split(":", 1)[0] for subject in subjects}
    days: set[date] = set()
    corrections = _corrections(before["corrections"], now["corrections"])
    if corrections is None:
        return Changed(everything=True)
    for correction in corrections:
        if correction["file_id"]:
            files.add(correction["file_id"][:_DIGITS])
        elif correction["date"]:
            days.add(date.fromisoformat(correction["date"][:10]))
        else:
            return Changed(everything=True)
    spellings = frozenset(_differing(before["names"], now["names"]))
    return Changed(False, spellings, frozenset(files), frozenset(days))


def _differing(before: Mapping[str, Any], now: Mapping[str, Any]) -> set[str]:
    return {key for key in {*before, *now} if before.get(key) != now.get(key)}


def _corrections(before: list[dict[str, Any]], now: list[dict[str, Any]]) -> list[dict[str, Any]] | None:
    """The corrections that were added or taken out; None where others changed their order."""
    old, new = [[tuple(row.items()) for row in rows] for rows in (before, now)]
    both = Counter(old) & Counter(new)
    kept_old, other_old = _apart(old, both)
    kept_new, other_new = _apart(new, both)
    return [dict(row) for row in (*other_old, *other_new)] if kept_old == kept_new else None


def _apart(
    rows: list[tuple[tuple[str, Any], ...]], both: Counter[tuple[tuple[str, Any], ...]]
) -> tuple[list[tuple[tuple[str, Any], ...]], list[tuple[tuple[str, Any], ...]]]:
    """The rows that are in both lists, and the others."""
    left, kept, others = Counter(both), [], []
    for row in rows:
        if left[row]:
            left[row] -= 1
            kept.append(row)
        else:
            others.append(row)
    return kept, others

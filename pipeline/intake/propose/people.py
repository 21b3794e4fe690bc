"""A list of people: which column is what, and whether a file is such a list."""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from pipeline.facility.dates import read_dates
from pipeline.intake.identity import normalise
from pipeline.intake.propose.columns import Column
from pipeline.intake.propose.words import PEOPLE, common, name_score, plain

ROLES = ("athlete_id", "name", "first_name", "last_name", "birth_date", "sex", "aliases")
PERIOD_ROLES = ("squad", "sport", "position", "competition_level")
_LEAST = 0.5
_SEXES = {plain(word): sex for sex in ("female", "male") for word in common(sex)}
# One letter means one thing only beside another: m is mulher and mujer where the other is h.
_LETTERS = {
    frozenset("fm"): {"f": "female", "m": "male"},
    frozenset("wm"): {"w": "female", "m": "male"},
    frozenset("hm"): {"h": "male", "m": "female"},
    frozenset("hf"): {"h": "male", "f": "female"},
    frozenset("vm"): {"v": "female", "m": "male"},
    frozenset("f"): {"f": "female"},
    frozenset("w"): {"w": "female"},
    frozenset("h"): {"h": "male"},
}
_OTHER = frozenset("dxo")  # neither, or not said


@dataclass(frozen=True)
class List:
    """A list of people: role -> column, and the columns that are none."""

    roles: dict[str, Column]
    left: list[Column]

    @property
    def named(self) -> bool:
        """Whether it says who."""
        return "name" in self.roles or "last_name" in self.roles or "first_name" in self.roles


def find_list(columns: Sequence[Column]) -> List | None:
    """The columns as a list of people; None where they are none: who, once each, and something about them."""
    names = (*ROLES, *PERIOD_ROLES)
    scores = np.array([[_score(column, role) for role in names] for column in columns])
    leave = np.array([max(_LEAST, name_score(c.name.written, "ignore", PEOPLE)) for c in columns])
    padded = np.hstack([scores, np.where(np.eye(len(columns)) == 1, leave[:, None], -9.0)])
    # Slow to import, and commands that propose nothing do without.
    from scipy.optimize import linear_sum_assignment

    rows, chosen = linear_sum_assignment(padded, maximize=True)
    roles, left = {}, []
    for row, at in zip(rows, chosen, strict=True):
        if at < len(names):
            roles[names[at]] = columns[row]
        else:
            left.append(columns[row])
    found = List(_one_name(roles, left), left)
    about = [role for role in (*ROLES[4:6], *PERIOD_ROLES) if role in found.roles]
    if (
        not found.named
        or not (_once_each(found))
        or not ({"birth_date", "sex"} & set(about) or len(about) >= 2)
    ):
        return None
    return found


def _one_name(roles: dict[str, Column], left: list[Column]) -> dict[str, Column]:
    """First and last name, or the whole name: not both."""
    if "first_name" in roles and "last_name" in roles and "name" in roles:
        left.append(roles.pop("name"))
    elif "name" not in roles and ("last_name" in roles) != ("first_name" in roles):
        lone = "last_name" if "last_name" in roles else "first_name"
        roles["name"] = roles.pop(lone)
    elif "name" in roles and ("last_name" in roles) != ("first_name" in roles):
        lone = "last_name" if "last_name" in roles else "first_name"
        other = "first_name" if lone == "last_name" else "last_name"
        if all(" " not in word.strip() for word in roles["name"].words):
            roles[other] = roles.pop("name")
        else:
            left.append(roles.pop(lone))
    return roles


def _once_each(found: List) -> bool:
    """Whether nearly every row is somebody else: a list of trials has each name many times."""
    names = full_names(found)
    told = [normalise(name) for name in names if name]
    least = 0.6 if "birth_date" in found.roles else 0.85
    return bool(told) and len(set(told)) >= least * len(told)


def full_names(found: List) -> list[str | None]:
    """Names as they are said: first, then last."""
    if "name" in found.roles:
        return [said_name(text) for text in found.roles["name"].texts]
    firsts, lasts = found.roles["first_name"].texts, found.roles["last_name"].texts
    return [" ".join(filter(None, pair)) or None for pair in zip(firsts, lasts, strict=True)]


def said_name(text: str | None) -> str | None:
    """`Last, First` as `First Last`."""
    if text is None or text.count(",") != 1:
        return text
    last, first = (part.strip() for part in text.split(","))
    return f"{first} {last}" if first and last else text


def _score(column: Column, role: str) -> float:
    """A name of the trade, and cells that can be it."""
    name = name_score(column.name.written, role, PEOPLE)
    words = column.words
    if not words:
        return name - 0.5
    if role == "birth_date":
        if (column.numeric > 0.5 and column.whole) or (column.filled >= 8 and len(words) <= 2):
            return -9.0  # a day that all share is a day of tests
        dates, faults = read_dates(dict(enumerate(words)))
        good = len(dates) or (len(words) if any("may be" in fault for fault in faults.values()) else 0)
        return name + (0.2 if good >= 0.7 * len(words) else -9.0)
    if role == "sex":
        return name + (0.5 if len(words) <= 6 and sexes(words) is not None else -0.4)
    if role == "athlete_id":
        short = all(re.fullmatch(r"[\w.\-/]{1,16}", word) for word in words)
        return name + (0.1 if short and len(words) == column.filled else -9.0)
    if role in ("name", "first_name", "last_name"):
        letters = sum(bool(re.fullmatch(r"[^\d_@/]+", word)) for word in words) / len(words)
        return name + (0.1 if letters > 0.9 and column.numeric == 0 else -9.0)
    return name if column.numeric < 0.5 or role in PERIOD_ROLES else -9.0


def sexes(words: Sequence[str]) -> dict[str, str | None] | None:
    """What each written sex means (None: cannot tell); None where most words are no sex at all."""
    plains = {word: plain(word) for word in words}
    letters = frozenset(text for text in plains.values() if len(text) == 1)
    by_letter = next((told for known, told in _LETTERS.items() if letters - _OTHER == known), {})
    found = {
        word: by_letter.get(text) if len(text) == 1 else _SEXES.get(text) for word, text in plains.items()
    }
    known = sum(sex is not None for sex in found.values())
    if not known and not letters <= set("fmwhv") | _OTHER:
        return None
    return found if known or letters else None

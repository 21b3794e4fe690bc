"""A problem in a config file, in plain words, and the error that carries all of them at once."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import Literal

from rapidfuzz import process
from rapidfuzz.distance import OSA

_A_SLIP = 0.75  # share of letters alike: "famly" is a slip of "family", "colour" is a word of its own


@dataclass(frozen=True)
class Problem:
    """What is wrong in a file, and what to do. `line` is physical, from 1; a "look" is no mistake."""

    file: str
    line: int | None
    key: str | None
    message: str
    severity: Literal["mistake", "look"] = "mistake"

    def __str__(self) -> str:
        """`file, line 3, key: message`."""
        place = self.file if self.line is None else f"{self.file}, line {self.line}"
        return f"{place}, {self.key}: {self.message}" if self.key else f"{place}: {self.message}"


class ConfigError(Exception):
    """Config that cannot be worked with; `problems` has all that is wrong."""

    def __init__(self, problems: Sequence[Problem]) -> None:
        """Keep the problems; the error's text has one a line."""
        super().__init__("\n".join(str(problem) for problem in problems))
        self.problems = list(problems)


def mistakes(problems: Iterable[Problem]) -> list[Problem]:
    """The problems that must be mended, without those that only deserve a look."""
    return [problem for problem in problems if problem.severity == "mistake"]


def nearest(word: str, known: Iterable[str]) -> str | None:
    """The known word that is spelled most like this one; None where nothing is known."""
    choices = {choice: choice.casefold() for choice in sorted(known)}  # sorted: one answer for a set
    found = process.extractOne(word.casefold(), choices, scorer=OSA.normalized_similarity)
    return found[2] if found else None


def meant(word: str, known: Iterable[str]) -> str | None:
    """The known word that this one is a slip of; None where it is like none, or is one itself."""
    found = nearest(word, known)
    if found is None or found == word:
        return None
    alike = OSA.normalized_similarity(word.casefold(), found.casefold())
    return found if alike >= _A_SLIP else None


def nearest_known(word: str, known: Iterable[str]) -> str:
    """A clause for messages: the nearest known word, or that there is none."""
    found = nearest(word, known)
    return f"the nearest known one is {found!r}" if found is not None else "none is known yet"


def shown(value: object, limit: int = 60) -> str:
    """A value as it is quoted in a message, cut to a readable length."""
    text = repr(value) if isinstance(value, str) else str(value)
    text = text.lower() if isinstance(value, bool) else text
    return text if len(text) <= limit else text[: limit - 3] + "..."

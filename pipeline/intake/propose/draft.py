"""A proposal as it is written down: TOML lines, and what was seen; doubts and questions are comments."""

from __future__ import annotations

import json
import re
from collections.abc import Sequence
from dataclasses import dataclass, field

from pipeline.intake.propose.choices import Choice, Standing

DOUBTFUL, OPEN = "DOUBTFUL", "OPEN"


def toml(value: object) -> str:
    """A text, number, boolean or list as TOML writes it."""
    if isinstance(value, str):
        return json.dumps(value, ensure_ascii=False).replace("\x7f", "\\u007f")
    if isinstance(value, (list, tuple)):
        return f"[{', '.join(toml(one) for one in value)}]"
    return json.dumps(value)


def toml_key(word: str) -> str:
    """A key, in quotes where TOML needs them."""
    return word if re.fullmatch(r"[A-Za-z0-9_-]+", word) else toml(word)


def one_line(text: str) -> str:
    """A text that can stand in a comment."""
    return re.sub(r"[\x00-\x1f\x7f\s]+", " ", text)


@dataclass
class Draft:
    """Lines of a layout in the making, and the choices behind them."""

    lines: list[str] = field(default_factory=list)
    choices: list[Choice] = field(default_factory=list)

    def table(self, name: str) -> None:
        """Begin a table."""
        self.lines += ["", f"[{name}]"]

    def comment(self, text: str, mark: str = "") -> None:
        """A line for the reader."""
        self.lines.append(f"# {mark}: {one_line(text)}" if mark else f"# {one_line(text)}")

    def choose(
        self, at: str, written: str, reason: str, standing: Standing = "sure", tell: bool = False
    ) -> None:
        """A key that is chosen, `written` as `key = value`: a doubt stands above, with `tell` why beside."""
        self.choices.append(Choice(at, written.partition(" = ")[2], reason, standing))
        if standing == "doubtful":
            self.comment(reason, DOUBTFUL)
        self.lines.append(f"{written}  # {one_line(reason)}" if tell and standing == "sure" else written)

    def ask(self, at: str, options: Sequence[str], reason: str) -> None:
        """A key that a person must decide: the question, and what might be, as comments."""
        self.choices.append(Choice(at, "", reason, "open"))
        self.comment(reason, OPEN)
        self.lines += [f"# {option}" for option in options]

    def note(self, choices: Sequence[Choice]) -> None:
        """Take over choices that are written elsewhere."""
        self.choices += choices

"""What a proposal is made of: choices, each with what was seen, and whether a person should look at it."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

Standing = Literal["sure", "doubtful", "open"]


@dataclass(frozen=True)
class Choice:
    """A choice for a key of the layout: `open` where it is a person's to decide, and nothing is chosen."""

    key: str
    choice: str
    reason: str
    standing: Standing = "sure"

    def as_dict(self) -> dict[str, object]:
        """For --json."""
        return {
            "key": self.key,
            "choice": self.choice or None,
            "reason": self.reason,
            "doubtful": self.standing != "sure",
            "open": self.standing == "open",
        }


class CannotPropose(Exception):
    """A file of which no table can be made; the message says what was seen and what to do."""

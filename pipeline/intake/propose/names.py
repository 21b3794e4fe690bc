"""A column's name taken apart: what it calls the column, and the unit that it gives."""

from __future__ import annotations

import re
from dataclasses import dataclass
from functools import cache

from pipeline.intake.propose.words import unit_of

_BRACKET = re.compile(r"\s*[\(\[\{]\s*([^\)\]\}]*?)\s*[\)\]\}]\s*")
# The last one or two words, after a blank, an underscore, a comma or a slash.
_TAIL = re.compile(r"[\s_,;:]+([^\s_,;:]+(?:[\s_]+[^\s_,;:]+)?)$")
_ONE = re.compile(r"[\s_,;:]+([^\s_,;:]+)$")
_CAPITAL = re.compile(r"(?<=[a-zß-ÿ])([A-Z][a-z]{0,2}|[A-Z]{2,3})$")  # as in loadKg
_DISTANCE = re.compile(r"(?<![A-Za-z0-9.,])[tTdD]?(\d+(?:[.,]\d+)?)[\s_]*-?[\s_]*([A-Za-zäöü]+)?")


@dataclass(frozen=True)
class Name:
    """A name: as written, without its unit, the unit (`none`: one that no field has), and whether surely."""

    written: str
    bare: str
    unit: str | None
    sure: bool


@cache
def take_apart(written: str) -> Name:
    """The unit of a name stands in brackets or is its last word; a single letter may be something else."""
    for found in _BRACKET.finditer(written):
        unit = unit_of(found[1])
        if unit is not None:
            bare = f"{written[: found.start()]} {written[found.end() :]}".strip()
            return Name(written, bare, unit, True)
    for pattern in (_TAIL, _ONE, _CAPITAL):
        found_tail = pattern.search(written.strip())
        if found_tail is None:
            continue
        unit = unit_of(found_tail[1])
        if unit is not None:
            bare = written.strip()[: found_tail.start()]
            if re.search(r"\d$", bare) and len(bare.strip()) <= 3 and unit in ("m", "yd", "ft"):
                continue  # `5 m` is a distance, not metres of something called 5
            return Name(written, bare, unit, len(found_tail[1]) > 1 or not found_tail[1].isalpha())
    return Name(written, written, None, False)


def distance_in(name: str) -> tuple[float, str | None] | None:
    """The number of a name, and the length that follows it: `10m split` is (10, "m"), `T20` (20, None)."""
    for found in _DISTANCE.finditer(name):
        unit = unit_of(found[2]) if found[2] else None
        if unit in ("m", "yd", "ft", "cm"):
            return float(found[1].replace(",", ".")), unit
    bare = re.findall(r"\d+(?:[.,]\d+)?", name)
    return (float(bare[0].replace(",", ".")), None) if len(bare) == 1 else None


def number_in(name: str) -> int | None:
    """The one whole number of a name, such as the 2 of `2.ª (mm)`; None where there is none or several."""
    found = re.findall(r"\d+", name)
    return int(found[0]) if len(found) == 1 else None

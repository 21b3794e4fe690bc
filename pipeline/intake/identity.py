"""Who a written name is: exact after normalising, never by likeness; likeness only proposes.

Pure. Tried in this order: an athlete_id; a name that one person has; an alias narrowed by device or dates;
any other alias. A name that nobody has may be of somebody who was forgotten: what it stands on is left out.
"""

from __future__ import annotations

import re
from collections import defaultdict
from collections.abc import Container, Iterable
from dataclasses import dataclass
from datetime import date
from functools import lru_cache

from rapidfuzz import fuzz, process

from pipeline.reading.letters import plain_letters

DROPPED = "drop"


# The same names come again with every file, and every part of a file.
@lru_cache(maxsize=50_000)
def normalise(name: str) -> str:
    """A name in plain letters, without punctuation and double spaces; "Last, First" becomes "first last"."""
    if name.count(",") == 1:
        last, first = name.split(",")
        if first.strip() and last.strip():
            name = f"{first} {last}"
    return re.sub(r"[^\w]+", " ", plain_letters(name).replace("_", " ")).strip()


@dataclass(frozen=True)
class Alias:
    """A written name that is an athlete; `until` is inclusive. `answer` may also be `drop`."""

    name: str
    athlete_id: str
    device: str | None = None
    start: date | None = None
    until: date | None = None

    @property
    def about(self) -> tuple[object, ...]:
        """Which written name it settles, on which device and dates."""
        return normalise(self.name), self.device, self.start, self.until

    @property
    def is_narrow(self) -> bool:
        """Whether it holds on one device or in some dates only."""
        return self.device is not None or self.start is not None or self.until is not None

    def holds(self, device: str, day: date | None) -> bool:
        """Whether it holds on this device on this day."""
        return (
            self.device in (None, device)
            and (self.start is None or (day is not None and day >= self.start))
            and (self.until is None or (day is not None and day <= self.until))
        )


@dataclass(frozen=True)
class Who:
    """What a written name comes to: an athlete_id, or a code and the athletes it may be."""

    athlete_id: str | None
    code: str | None = None
    candidates: tuple[str, ...] = ()


class Names:
    """All ways the facility's people are written."""

    def __init__(
        self,
        athletes: Iterable[tuple[str, str, Iterable[str]]],
        aliases: Iterable[Alias],
        guests: Iterable[str],
        forgotten: Container[str] = (),
    ) -> None:
        """`athletes` are (athlete_id, name, aliases); `forgotten` has normalised names."""
        self._ids: dict[str, str] = {}
        self._names: dict[str, set[str]] = defaultdict(set)
        self._general: dict[str, set[str]] = defaultdict(set)
        self._narrow: dict[str, list[Alias]] = defaultdict(list)
        self._shown: dict[str, str] = {}
        for athlete_id, name, others in athletes:
            self._ids[athlete_id.casefold()] = athlete_id
            self._names[normalise(name)].add(athlete_id)
            self._shown[athlete_id] = name
            for other in others:
                self._general[normalise(other)].add(athlete_id)
        for alias in aliases:
            key = normalise(alias.name)
            if alias.is_narrow:
                self._narrow[key].append(alias)
            else:
                self._general[key].add(alias.athlete_id)
        self._guests = {normalise(name) for name in guests}
        self._forgotten = forgotten

    def who(self, written: str, device: str, day: date | None) -> Who:
        """The athlete a written name is on a device and day, or why it can't be said."""
        by_id = self._ids.get(written.strip().casefold())
        if by_id is not None:
            return Who(by_id)
        key = normalise(written)
        names = self._names.get(key, set())
        narrow = {alias.athlete_id for alias in self._narrow.get(key, ()) if alias.holds(device, day)}
        if len(names) == 1:
            return Who(next(iter(names)))
        for found in (narrow, self._general.get(key, set()), names):
            if len(found) == 1:
                return Who(next(iter(found)))
            if len(found) > 1:
                return Who(None, "ambiguous_name", tuple(sorted(found)))
        if key in self._guests:
            return Who(None, "guest")
        if key in self._forgotten:
            return Who(DROPPED, "forgotten")
        return Who(None, "unknown_name")

    def is_forgotten(self, name: str) -> bool:
        """Whether a normalised name is of somebody forgotten, and nobody's now."""
        return self.who(name, "", None).code == "forgotten"

    def is_narrow(self, written: str) -> bool:
        """Whether who it is may hang on the device and the day."""
        return normalise(written) in self._narrow

    def nearest(self, written: str, count: int = 3) -> list[str]:
        """athlete_ids whose names are written most like this, the likest first: proposals, no more."""
        ways = [*self._names.items(), *self._general.items()]
        # Whoever shares nothing with what is written is no proposal.
        found = process.extract(
            normalise(written), [way for way, _ in ways], scorer=fuzz.WRatio, limit=None, score_cutoff=50
        )
        ranked = sorted(found, key=lambda hit: (-hit[1], hit[0]))
        ids = (athlete_id for _, _, at in ranked for athlete_id in sorted(ways[at][1]))
        return [i for i in dict.fromkeys(ids) if i != DROPPED][:count]

    def shown(self, athlete_id: str) -> str:
        """The athlete's name as the roster writes it, with the id."""
        name = self._shown.get(athlete_id)
        return athlete_id if name is None else f"{name} ({athlete_id})"

    def knows(self, athlete_id: str) -> bool:
        """Whether the roster has this athlete_id."""
        return athlete_id in self._shown

"""Who is tested when: dates, places in the queue, marks. The same under every seed."""

from collections.abc import Iterator
from dataclasses import dataclass, field
from datetime import date, datetime, time, timedelta

from .draw import fixed
from .people import Athlete, Roster

WATER_AND_TRACK = ("rowing", "track cycling")
BALL_SPORTS = ("handball", "hockey")


@dataclass
class Visit:
    """An athlete's turn at a device; `moments` gives the next instant, each its own."""

    athlete: Athlete
    day: date
    status: str
    earlier: int  # visits to this device before
    now: datetime

    def next(self, seconds: int) -> datetime:
        """The instant `seconds` after the last one."""
        self.now += timedelta(seconds=seconds)
        return self.now

    def chance(self, *what: str) -> float:
        """A number in [0, 1) that is this visit's own."""
        return fixed(self.athlete.athlete_id, self.day.isoformat(), *what)


@dataclass
class Diary:
    """Counts the visits to one device, so that learning is known."""

    device: str
    done: dict[str, int] = field(default_factory=dict)

    def visits(self, roster: Roster, day: date, sports: tuple[str, ...], starts: time) -> Iterator[Visit]:
        """The visits of `day`, one after the other, four minutes each; some are away (paused, or 1 in 25)."""
        begin = datetime.combine(day, starts)
        for athlete in roster.athletes:
            status = athlete.on(day, "status") or "full"
            away = fixed(self.device, athlete.athlete_id, day.isoformat(), "away") < 0.04
            if athlete.on(day, "sport") not in sports or status == "paused" or away:
                continue
            earlier = self.done.get(athlete.athlete_id, 0)
            self.done[athlete.athlete_id] = earlier + 1
            late = int(20 * fixed(athlete.athlete_id, day.isoformat(), "late"))
            yield Visit(athlete, day, status, earlier, begin + timedelta(seconds=late))
            begin += timedelta(minutes=4)

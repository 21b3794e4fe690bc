"""When scheduled work is due, in the facility's time zone."""

from __future__ import annotations

from datetime import datetime, time, timedelta
from zoneinfo import ZoneInfo

from pipeline.facility.settings import WEEKDAYS, Schedule


def crons(schedule: Schedule) -> dict[str, str]:
    """The schedules as cron lines: nightly, weekly."""
    night, week = schedule.nightly_time, schedule.weekly_time
    return {
        "nightly": f"{night.minute} {night.hour} * * *",
        "weekly": f"{week.minute} {week.hour} * * {schedule.weekly_day[:3]}",
    }


def next_runs(schedule: Schedule, timezone: str, now: datetime) -> dict[str, datetime]:
    """When the nightly refresh and the weekly edition come next after `now` (aware), in the time zone.

    A time that the clock skips is moved forward by as much as it skips.
    """
    zone = ZoneInfo(timezone)
    here = now.astimezone(zone)

    def following(at: time, days: range, weekday: int | None = None) -> datetime:
        due = (datetime.combine(here.date() + timedelta(days=n), at, zone) for n in days)
        return next(
            when.astimezone(ZoneInfo("UTC")).astimezone(zone)
            for when in due
            if when.timestamp() > now.timestamp() and weekday in (None, when.weekday())
        )

    return {
        "nightly": following(schedule.nightly_time, range(3)),
        "weekly": following(schedule.weekly_time, range(9), WEEKDAYS.index(schedule.weekly_day)),
    }

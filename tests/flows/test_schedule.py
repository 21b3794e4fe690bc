"""What `status` says comes next is what Prefect fires."""

from __future__ import annotations

import asyncio
from datetime import UTC, datetime, time, timedelta
from zoneinfo import ZoneInfo

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from prefect.server.schemas.schedules import CronSchedule

from pipeline.facility.settings import WEEKDAYS, Schedule
from pipeline.flows.schedule import crons, next_runs

ZONES = ("Europe/Lisbon", "America/New_York", "Asia/Kolkata", "UTC")
MOMENTS = st.datetimes(datetime(2025, 1, 1), datetime(2027, 12, 31))


def fired(cron: str, zone: str, after: datetime) -> datetime:
    dates = CronSchedule(cron=cron, timezone=zone).get_dates(n=1, start=after + timedelta(seconds=1))
    return asyncio.run(dates)[0].astimezone(UTC)


@settings(max_examples=40, deadline=None)
@given(MOMENTS, st.sampled_from(ZONES), st.sampled_from(WEEKDAYS), st.times(), st.times())
def test_the_next_runs_are_those_of_the_server(moment, zone, day, night, week):
    night, week = (at.replace(second=0, microsecond=0) for at in (night, week))
    # Where the clock skips or repeats an hour (between 1 and 3 at night here) see the tests below.
    night, week = (at.replace(hour=at.hour + 3) if at.hour < 4 else at for at in (night, week))
    schedule = Schedule(weekly_day=day, weekly_time=week, nightly_time=night)
    now = moment.replace(microsecond=0, tzinfo=UTC)
    found = next_runs(schedule, zone, now)
    lines = crons(schedule)
    for name in ("nightly", "weekly"):
        assert found[name].astimezone(UTC) == fired(lines[name], zone, now)
    assert found["weekly"].astimezone(ZoneInfo(zone)).strftime("%A").lower() == day


def test_the_five_o_clock_of_monday_stays_at_five_when_summer_time_ends():
    schedule = Schedule(weekly_day="monday", weekly_time=time(5), nightly_time=time(3, 30))
    before = datetime(2026, 10, 24, 12, tzinfo=UTC)
    found = next_runs(schedule, "Europe/Lisbon", before)["weekly"]
    assert (found.isoformat(), found.utcoffset()) == ("2026-10-26T05:00:00+00:00", timedelta(0))
    summer = next_runs(schedule, "Europe/Lisbon", datetime(2026, 10, 12, 12, tzinfo=UTC))["weekly"]
    assert summer.utcoffset() == timedelta(hours=1)


def test_a_time_that_the_clock_skips_comes_an_hour_later():
    schedule = Schedule(nightly_time=time(1, 30))
    before = datetime(2026, 3, 28, 12, tzinfo=UTC)
    found = next_runs(schedule, "Europe/Lisbon", before)["nightly"]
    assert found.isoformat() == "2026-03-29T02:30:00+01:00"
    assert found.astimezone(UTC) == fired(crons(schedule)["nightly"], "Europe/Lisbon", before)


@pytest.mark.parametrize("day", WEEKDAYS)
def test_every_day_of_the_week_is_a_cron_word(day: str):
    line = crons(Schedule(weekly_day=day))["weekly"]
    assert line == f"0 5 * * {day[:3]}"
    assert fired(line, "UTC", datetime(2026, 1, 1, tzinfo=UTC)).strftime("%A").lower() == day

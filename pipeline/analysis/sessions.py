"""Sessions: which occasion a trial belongs to, and what was true of the athlete on that date."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Literal

import polars as pl

from pipeline.ids import text_ids
from pipeline.metrics.rows import as_table, excluded
from schemas.frames import empty
from schemas.tables import TABLES

MASS_DAYS = 14
"""A body mass up to this many days old counts as the session's own; any other is provisional."""
_DAY_MIN = 24 * 60


def session_keys(
    local: pl.Series,
    time_known: pl.Series,
    slot_column: pl.Series | None,
    day_start: str,
    slots: Sequence[str],
) -> pl.DataFrame:
    """session_date and slot of each row, in order.

    `local`: naive local date and time (midnight where only the date is known). `slot_column`: the
    layout's session text, which goes before the clock. `day_start` and `slots`: clock times `HH:MM`.

    The date is that of (time - day_start). A slot is named by the boundary that opens it; before the
    first boundary of a day it is the first. Rows without a time of day keep the date as written and take
    the first boundary's slot, whatever else was tested that day: so no row's session depends on which
    other rows are there, and late files never change it.
    """
    start = _minutes(day_start)
    since_start = {slot: (_minutes(slot) - start) % _DAY_MIN for slot in slots}
    ordered = sorted(since_start, key=lambda slot: since_start[slot])
    shifted = pl.col("local").dt.offset_by(f"-{start}m")
    minute = shifted.dt.hour().cast(pl.Int32) * 60 + shifted.dt.minute()
    by_clock: pl.Expr = pl.lit(ordered[0])
    for slot in ordered[1:]:
        by_clock = pl.when(minute >= since_start[slot]).then(pl.lit(slot)).otherwise(by_clock)
    known = pl.col("time_known")
    written = pl.lit(None, dtype=pl.String) if slot_column is None else slot_column.cast(pl.String)
    return pl.select(local=local, time_known=time_known, written=written).select(
        session_date=pl.when(known).then(shifted.dt.date()).otherwise(pl.col("local").dt.date()),
        slot=pl.coalesce("written", pl.when(known).then(by_clock).otherwise(pl.lit(ordered[0]))),
    )


def session_id(athlete_id: pl.Series, session_date: pl.Series, slot: pl.Series) -> pl.Series:
    """Id of each row's session: a hash of `athlete|date|slot`, so files that come late never change it."""
    keys = pl.DataFrame({"athlete_id": athlete_id, "session_date": session_date, "slot": slot})
    # The trials of a session mostly follow one another.
    runs = keys.select(pl.struct(pl.all()).rle_id()).to_series()
    day = pl.col("session_date").dt.to_string("%Y-%m-%d")
    key = pl.concat_str("athlete_id", day, "slot", separator="|")
    begins = keys.filter(runs.is_first_distinct()).select(session_id=key).to_series()
    return text_ids(begins).gather(runs)


def build_sessions(
    trials: Mapping[str, pl.DataFrame], slots: pl.DataFrame, athletes: pl.DataFrame, states: pl.DataFrame
) -> dict[str, pl.DataFrame]:
    """The tables `sessions` and `session_squads`.

    `trials`: table name -> current rows; a session of any family counts. `slots`: session_id,
    session_date, slot. `athletes`: athlete_id, birth_date. `states`: athlete_id, local_date, squad
    (several joined by `|`), sport, position, competition_level, available; nothing said means available.
    """
    # Several families can name the same session.
    slots = slots.select("session_id", "session_date", "slot").unique()
    head = ("session_id", "athlete_id", "performed_at_utc", "time_known", "local_date")
    timed = pl.col("performed_at_utc").filter("time_known")
    rows = pl.concat([frame.select(head) for frame in trials.values()])
    sessions = (
        rows.sort("performed_at_utc", "local_date")
        .group_by("session_id", "athlete_id", maintain_order=True)
        .agg(started_at_utc=timed.first(), local_date=pl.col("local_date").first())
        .join(slots, on="session_id", how="left", validate="1:1")
        .join(athletes.select("athlete_id", "birth_date"), on="athlete_id", how="left", validate="m:1")
        .join(states, on=["athlete_id", "local_date"], how="left", validate="m:1")
        .with_columns(
            pl.col("available").fill_null("yes"),
            age_years=shown_age(pl.col("birth_date"), pl.col("local_date")),
        )
    )
    readings = trials.get("body_readings", empty(TABLES["body_readings"]))
    weighed = _with_mass(sessions, _day_masses(readings, slots))
    return {"sessions": as_table(weighed, "sessions"), "session_squads": _squads(sessions)}


def shown_age(birth_date: pl.Expr, on: pl.Expr) -> pl.Expr:
    """Age [years, to a tenth] as it is published, from the middle of the month of birth.

    Rounding alone would give birth dates away: the days on which somebody's age goes up by a tenth name them.
    So of all born in a month the same is shown on every day. NULL before the middle of that month.
    """
    return age_years(birth_date.dt.month_start().dt.offset_by("14d"), on).round(1)


def age_years(birth_date: pl.Expr, on: pl.Expr) -> pl.Expr:
    """Age [years]: whole birthdays, and the share of the days from the last birthday to the next.

    Someone born on 29 February has the birthday on 1 March of a year without one. NULL before birth.
    """

    def birthday(year: pl.Expr) -> pl.Expr:
        day = birth_date.dt.day().cast(pl.Int64)
        return pl.date(year, birth_date.dt.month(), 1) + pl.duration(days=day - 1)

    year = on.dt.year() - (on < birthday(on.dt.year())).cast(pl.Int32)
    last, following = birthday(year), birthday(year + 1)
    share = (on - last).dt.total_days() / (following - last).dt.total_days()
    return pl.when(on >= birth_date).then(year - birth_date.dt.year() + share)


def _day_masses(readings: pl.DataFrame, slots: pl.DataFrame) -> pl.DataFrame:
    """athlete_id, read_on (session date), kg (mean of the day's used readings), mass_row_id (its first)."""
    used = readings.filter(
        (pl.col("quantity") == "mass") & (pl.col("mark") == "ok") & ~excluded(pl.col("flags"))
    ).join(slots.select("session_id", read_on="session_date"), on="session_id", how="left", validate="m:1")
    # Sorted within the day: a mean of the same numbers in another order can differ in its last digit.
    return (
        used.sort("performed_at_utc", "reading", "row_id")
        .group_by("athlete_id", "read_on", maintain_order=True)
        .agg(kg=pl.col("value").sort().mean(), mass_row_id=pl.col("row_id").first())
    )


def _with_mass(sessions: pl.DataFrame, masses: pl.DataFrame) -> pl.DataFrame:
    """Sessions with the last mass of the `MASS_DAYS` days up to them; else the next; else the last older."""
    ordered = sessions.sort("session_date")
    days = masses.sort("read_on")

    def nearest(left: pl.DataFrame, strategy: Literal["backward", "forward"], prefix: str) -> pl.DataFrame:
        named = [pl.col(name).alias(prefix + name) for name in ("read_on", "kg", "mass_row_id")]
        right = days.select("athlete_id", "read_on", *named)
        return left.join_asof(
            right,
            left_on="session_date",
            right_on="read_on",
            by="athlete_id",
            strategy=strategy,
            check_sortedness=False,
            coalesce=False,
        ).drop("read_on")

    both = nearest(nearest(ordered, "backward", "last_"), "forward", "next_")
    recent = (pl.col("session_date") - pl.col("last_read_on")).dt.total_days() <= MASS_DAYS
    take_last = recent.fill_null(False) | pl.col("next_read_on").is_null()

    def chosen(column: str) -> pl.Expr:
        return pl.when(take_last).then(pl.col(f"last_{column}")).otherwise(pl.col(f"next_{column}"))

    return both.with_columns(
        body_mass_kg=chosen("kg"),
        body_mass_row_id=chosen("mass_row_id"),
        body_mass_age_days=(pl.col("session_date") - chosen("read_on")).dt.total_days(),
        body_mass_provisional=pl.when(chosen("kg").is_not_null()).then(~recent.fill_null(False)),
    )


def _squads(sessions: pl.DataFrame) -> pl.DataFrame:
    squads = (
        sessions.select("session_id", squad=pl.col("squad").str.split("|"))
        .explode("squad")
        .with_columns(pl.col("squad").str.strip_chars())
        .filter(pl.col("squad").is_not_null() & (pl.col("squad") != ""))
        .unique()
    )
    return as_table(squads, "session_squads")


def _minutes(clock: str) -> int:
    """`HH:MM` as minutes after midnight."""
    hours, minutes = clock.split(":")
    return int(hours) * 60 + int(minutes)

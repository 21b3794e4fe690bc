"""When: device clocks set right, UTC, the facility's local date, and times that can't be."""

from __future__ import annotations

from datetime import timedelta

import polars as pl

from pipeline.intake.knowledge import Knowledge
from pipeline.reading.times import to_local, to_utc

FUTURE_HOURS = 36
"""A time this far after the file was received can't be right, in any time zone."""


def set_times(rows: pl.DataFrame, knowledge: Knowledge) -> pl.DataFrame:
    """Add utc, `here` (facility's wall clock; midnight where no time is known), local_date, ambiguous.

    The devices' recorded clock errors are taken out first.
    """
    offset = pl.lit(0, dtype=pl.Int64)
    for device, facts in knowledge.devices.items():
        for clock in facts.clocks:
            fits = (pl.col("device") == device) & pl.col("time_known")
            if clock.start is not None:
                fits &= pl.col("local") >= clock.start
            if clock.end is not None:
                fits &= pl.col("local") < clock.end
            offset = pl.when(fits).then(pl.lit(round(clock.offset_seconds * 1e6))).otherwise(offset)
    shift = pl.duration(microseconds=offset)
    rows = rows.with_columns(local=pl.col("local") + shift, utc=pl.col("utc") + shift)
    zones = rows["timezone"].unique()
    together = [rows] if len(zones) == 1 else rows.partition_by("timezone", maintain_order=True)
    parts = []
    for part in together:
        zone = part["timezone"][0]
        instants = to_utc(part["local"], str(zone))
        utc = part.select(pl.coalesce("utc", pl.lit(instants["utc"])).alias("utc"))["utc"]
        doubtful = instants["ambiguous"] & part["utc"].is_null() & part["time_known"]
        parts.append(part.with_columns(utc, doubtful.alias("ambiguous")))
    timed = pl.concat(parts) if parts else rows.with_columns(ambiguous=pl.lit(False))
    if len(parts) > 1:
        timed = timed.sort("index")
    here = to_local(timed["utc"], knowledge.timezone)
    as_written = pl.col("local")
    return timed.with_columns(
        here=pl.when(pl.col("time_known")).then(pl.lit(here)).otherwise(as_written),
    ).with_columns(local_date=pl.col("here").dt.date())


def impossible_times(rows: pl.DataFrame, knowledge: Knowledge) -> pl.DataFrame:
    """Held rows for times later than their file and times from before their device."""
    since = {name: facts.since for name, facts in knowledge.devices.items() if facts.since is not None}
    first = pl.col("device").replace_strict(since, default=None, return_dtype=pl.Date)
    late = pl.col("utc") > pl.col("received_at") + timedelta(hours=FUTURE_HOURS)
    early = pl.col("local_date") < first
    shown = pl.col("local").dt.strftime("%Y-%m-%d %H:%M")
    found = []
    for code, bad, when in (
        ("in_future", late, pl.format("{} lies after the file was received.", shown)),
        ("before_device", early, pl.format("{} lies before the device's first day, {}.", shown, first)),
    ):
        part = rows.filter(bad).select(
            "drop_no", "line", code=pl.lit(code), field=pl.lit("performed_at"), seen=shown, reason=when
        )
        found.append(part.unique(maintain_order=True))
    return pl.concat(found)

"""Occasions: what formulas need to know of an athlete on the day, beside the trials themselves.

Body mass is the session's own (see `analysis.sessions`). Lengths are the last reading's up to the day, else
the next later one's, which is provisional as a later mass is.
"""

from __future__ import annotations

import polars as pl

from pipeline.metrics.rows import excluded

LENGTHS = ("push_off_distance", "stature", "sitting_height")
"""Quantities of `body_readings` [m] that formulas use; each has columns `X_m`, `X_row_id`, `X_age_days`."""
_OF_SESSIONS = (
    "session_id",
    "athlete_id",
    "session_date",
    "age_years",
    "body_mass_kg",
    "body_mass_row_id",
    "body_mass_age_days",
    "body_mass_provisional",
)
PEOPLE = {"athlete_id": pl.String, "sex": pl.String, "equation": pl.String, "fat": pl.String}


def occasions(sessions: pl.DataFrame, readings: pl.DataFrame, people: pl.DataFrame) -> pl.DataFrame:
    """A row a session: its body mass, age, the athlete's sex, and each of `LENGTHS` on the day.

    `sessions`: the table of that name. `readings`: `body_readings` with flags. `people`: athlete_id, sex, and
    `equation` and `fat`, by which body composition is estimated of whoever asked for it; NULL of all others.
    `X_age_days` is negative where the reading is later than the session.
    """
    found = sessions.select(_OF_SESSIONS).join(
        people.select(*PEOPLE), on="athlete_id", how="left", validate="m:1", maintain_order="left"
    )
    for quantity in LENGTHS:
        found = _with_length(found, readings, sessions, quantity)
    return found


def _with_length(
    occasion: pl.DataFrame, readings: pl.DataFrame, sessions: pl.DataFrame, quantity: str
) -> pl.DataFrame:
    """Sessions with one length: the mean of the nearest day's readings, an earlier day before a later one."""
    used = readings.filter(
        (pl.col("quantity") == quantity) & (pl.col("mark") == "ok") & ~excluded(pl.col("flags"))
    )
    days = (
        used.join(sessions.select("session_id", "session_date"), on="session_id", validate="m:1")
        .sort("reading", "row_id")
        .group_by("athlete_id", read_on="session_date", maintain_order=True)
        .agg(metres=pl.col("value").sort().mean(), read=pl.col("row_id").first())
        .sort("read_on")
    )
    keyed = occasion.with_row_index("place").sort("session_date")
    on = {"left_on": "session_date", "right_on": "read_on", "by": "athlete_id", "coalesce": False}
    last = keyed.join_asof(days, strategy="backward", check_sortedness=False, **on)  # type: ignore[arg-type]
    later = keyed.select("place", "athlete_id", "session_date").join_asof(
        days,
        strategy="forward",
        check_sortedness=False,
        **on,  # type: ignore[arg-type]
    )
    both = last.join(later.drop("athlete_id", "session_date"), on="place", suffix="_next")

    def chosen(column: str) -> pl.Expr:
        return pl.coalesce(column, f"{column}_next")

    return both.sort("place").with_columns(
        chosen("metres").alias(f"{quantity}_m"),
        chosen("read").alias(f"{quantity}_row_id"),
        (pl.col("session_date") - chosen("read_on")).dt.total_days().alias(f"{quantity}_age_days"),
    ).select(*occasion.columns, f"{quantity}_m", f"{quantity}_row_id", f"{quantity}_age_days")  # fmt: skip

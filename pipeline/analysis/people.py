"""The tables about people that carry neither names nor birth dates."""

from __future__ import annotations

from datetime import date

import polars as pl

from pipeline.ids import text_ids
from schemas.models import polars_schema
from schemas.tables import TABLES

DAYS_A_YEAR = 365.2425
"""Mean length of the Gregorian year [days]."""
RESTRICTED_KINDS = ("injury", "illness")
"""Kinds of events that are health, and so in the restricted file only."""


def athletes_table(athletes: pl.DataFrame, states: pl.DataFrame, on: date) -> pl.DataFrame:
    """The table `athletes`: age [years] and state on a date. `states`: a row an athlete, with athlete_id."""
    age = (pl.lit(on) - pl.col("birth_date")).dt.total_days() / DAYS_A_YEAR
    joined = athletes.select("athlete_id", "sex", age_years=age).join(
        states.drop("on"), on="athlete_id", how="left"
    )
    schema = polars_schema(TABLES["athletes"])
    return joined.select(pl.col(c).cast(t) for c, t in schema.items()).sort("athlete_id")


def events_table(events: pl.DataFrame) -> pl.DataFrame:
    """The table `events`, without those that are about health."""
    shown = events.filter(~pl.col("kind").is_in(RESTRICTED_KINDS))
    key = pl.concat_str(
        [
            pl.col(c).cast(pl.String).fill_null("")
            for c in ("athlete_id", "squad", "kind", "label", "from_date")
        ],
        separator="|",
    )
    ids = text_ids(shown.select(key=key)["key"])
    schema = polars_schema(TABLES["events"])
    rows = shown.with_columns(event_id=ids).select(pl.col(c).cast(t) for c, t in schema.items())
    return rows.unique("event_id", maintain_order=True).sort("event_id")

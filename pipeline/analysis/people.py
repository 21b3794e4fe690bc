"""The tables about people that carry neither names nor birth dates."""

from __future__ import annotations

from datetime import date

import polars as pl

from pipeline.analysis.sessions import shown_age
from pipeline.ids import text_ids
from schemas.frames import polars_schema
from schemas.tables import TABLES


def athletes_table(athletes: pl.DataFrame, states: pl.DataFrame, on: date) -> pl.DataFrame:
    """The table `athletes`: age [years, as `shown_age` has it] and state on a date.

    `athletes`: athlete_id, sex, birth_date. `states`: a row an athlete, with athlete_id, on and the state.
    """
    age = shown_age(pl.col("birth_date"), pl.lit(on))
    joined = athletes.select("athlete_id", "sex", age_years=age).join(
        states.drop("on"), on="athlete_id", how="left"
    )
    schema = polars_schema(TABLES["athletes"])
    return joined.select(pl.col(c).cast(t) for c, t in schema.items()).sort("athlete_id")


def events_table(events: pl.DataFrame) -> pl.DataFrame:
    """The table `events`; publishing keeps apart those that may be about health."""
    key = pl.concat_str(
        [
            pl.col(c).cast(pl.String).fill_null("")
            for c in ("athlete_id", "squad", "kind", "label", "from_date")
        ],
        separator="|",
    )
    ids = text_ids(events.select(key=key)["key"])
    schema = polars_schema(TABLES["events"])
    rows = events.with_columns(event_id=ids).select(pl.col(c).cast(t) for c, t in schema.items())
    return rows.unique("event_id", maintain_order=True).sort("event_id")

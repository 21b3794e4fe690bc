"""Earlier versions of trial rows back as rows, from the JSON that they are kept as."""

from __future__ import annotations

import json

import polars as pl

from schemas.frames import polars_schema
from schemas.tables import TABLES


def earlier_rows(superseded: pl.DataFrame, table: str) -> pl.DataFrame:
    """The rows of a trial table that `superseded_rows` keeps, in its order, with the table's columns and
    types, and `cause`, `superseded_by`, `known_from`, `known_until` beside them."""
    mine = superseded.filter(pl.col("source_table") == table)
    schema = polars_schema(TABLES[table])
    told = [json.loads(text) for text in mine["row"]]
    columns = [_typed(name, dtype, [row.get(name) for row in told]) for name, dtype in schema.items()]
    about = mine.select("cause", "superseded_by", "known_from", "known_until")
    return pl.DataFrame(columns).hstack(about) if columns else about


def _typed(name: str, dtype: object, values: list[object]) -> pl.Series:
    """Values as JSON has them, in the column's type: dates and times are texts there."""
    if dtype in (pl.Date, pl.Time, pl.Datetime("us")):
        texts = pl.Series(name, values, dtype=pl.String)
        if dtype == pl.Date:
            return texts.str.to_date("%Y-%m-%d")
        if dtype == pl.Time:
            return texts.str.to_time("%H:%M:%S%.f")
        return texts.str.to_datetime("%Y-%m-%d %H:%M:%S%.f", time_unit="us")
    return pl.Series(name, values, dtype=dtype, strict=False)  # type: ignore[arg-type]

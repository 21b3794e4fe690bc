"""polars frames as declared: the type of each column of a table, and a frame of none of its rows."""

from __future__ import annotations

from collections.abc import Mapping
from functools import cache
from types import MappingProxyType

import polars as pl

from schemas.core import Table
from schemas.tables import columns_of

DType = type[pl.DataType] | pl.DataType

DTYPES: dict[str, DType] = {
    "text": pl.String,
    "integer": pl.Int32,
    "bigint": pl.Int64,
    "real": pl.Float64,
    "boolean": pl.Boolean,
    "date": pl.Date,
    "time": pl.Time,
    "timestamp": pl.Datetime("us"),
}


@cache
def polars_schema(table: Table) -> Mapping[str, DType]:
    """Column name -> polars type of a table, in order."""
    return MappingProxyType({name: DTYPES[field.type] for name, field in columns_of(table).items()})


@cache
def stored_schema(table: Table) -> Mapping[str, DType]:
    """Column name -> polars type of the columns that the warehouse stores (see `ddl.create_stored_table`)."""
    repeats = dict(table.repeats)
    return MappingProxyType(
        {
            name: pl.Enum(field.values) if table.words_checked and field.values else DTYPES[field.type]
            for name, field in columns_of(table).items()
            if name not in repeats
        }
    )


def empty(table: Table) -> pl.DataFrame:
    """A frame of no rows with the table's columns and types."""
    return pl.DataFrame(schema=polars_schema(table))

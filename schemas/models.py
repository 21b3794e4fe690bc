"""pandera models (polars) made from the declarations: one for the rows of a family as read, one a table.

Frames are validated eagerly, without coercion and without dropping rows: the caller splits by row index
(see the traps in design notes: a lazy frame is checked on its schema only).
"""

from __future__ import annotations

from functools import cache

import pandera.polars as pa
import polars as pl

from schemas.core import Family, Field
from schemas.frames import DTYPES
from schemas.tables import columns_of


def _limits(field: Field) -> list[pa.Check]:
    """Checks of a numeric field's hard limits, by another field where the declaration says so."""
    if field.low is None or field.high is None:
        return []
    low, high = _bound(field, 0), _bound(field, 1)
    name, by = field.name, field.by

    def within(data: pa.PolarsData) -> pl.LazyFrame:
        value = pl.col(name)
        return data.lazyframe.select(value.is_finite() & value.is_between(low, high))

    if by is None:
        return [pa.Check(within, name="out_of_range")]
    return []


def _bound(field: Field, end: int) -> pl.Expr:
    """The hard limit (0 low, 1 high) of a field as an expression over the row."""
    default = (field.low, field.high)[end]
    if field.by is None:
        return pl.lit(default)
    by_word = {entry[0]: entry[1 + end] for entry in field.limits_by}
    return pl.col(field.by).replace_strict(by_word, default=default, return_dtype=pl.Float64)


def _row_limits(field: Field) -> pa.Check:
    """A check over the whole row, for limits that depend on another field."""

    def within(data: pa.PolarsData) -> pl.LazyFrame:
        value = pl.col(field.name)
        ok = value.is_finite() & value.is_between(_bound(field, 0), _bound(field, 1))
        return data.lazyframe.select(ok.fill_null(True))

    return pa.Check(within, name=f"out_of_range:{field.name}")


def _column(field: Field, required: bool) -> pa.Column:
    checks = _limits(field)
    if field.values:
        checks.append(pa.Check.isin(list(field.values), name="not_allowed"))
    return pa.Column(DTYPES[field.type], checks=checks, nullable=not required)


@cache
def family_model(family: Family) -> pa.DataFrameSchema:
    """The model of a family's rows as read: its own columns, typed, in SI units.

    The names of its checks are the codes of `schemas.codes`: `out_of_range`, `not_allowed`, and
    `not_nullable`, which stands for `missing_value`.
    """
    columns = {f.name: _column(f, f.name in family.required) for f in family.columns}
    by_row = [_row_limits(f) for f in family.columns if f.by is not None]
    return pa.DataFrameSchema(columns, checks=by_row, strict="filter")


@cache
def table_model(name: str) -> pa.DataFrameSchema:
    """The model of a table of the warehouse, by name; KeyError where there is none."""
    from schemas.tables import TABLES

    table = TABLES[name]
    columns = {c: _column(f, c in table.required) for c, f in columns_of(table).items()}
    return pa.DataFrameSchema(columns, unique=list(table.key), strict=True)

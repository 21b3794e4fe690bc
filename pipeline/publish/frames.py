"""What comes in, checked against the declarations and put in the order it is published in."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping
from functools import partial

import polars as pl

from pipeline.in_order import sorted_by
from schemas.core import Table
from schemas.frames import polars_schema
from schemas.tables import TABLES


class Lazily(Mapping[str, pl.DataFrame]):
    """Frames by name, each made anew whenever it is asked for and held by nobody: together they may not fit
    into memory."""

    def __init__(self, makers: Mapping[str, Callable[[], pl.DataFrame]]) -> None:
        self._makers = makers

    def __getitem__(self, name: str) -> pl.DataFrame:
        return self._makers[name]()

    def __contains__(self, name: object) -> bool:
        return name in self._makers

    def __iter__(self) -> Iterator[str]:
        return iter(self._makers)

    def __len__(self) -> int:
        return len(self._makers)


def published_tables() -> list[Table]:
    """Every table people get, in the order of its declaration."""
    return [table for table in TABLES.values() if table.published]


def in_order(frames: Mapping[str, pl.DataFrame]) -> Mapping[str, pl.DataFrame]:
    """The frames of all published tables, with their columns as declared and their rows sorted by key.

    Raises ValueError, naming the table, where one is missing or unknown; and, when it is asked for, where it
    is of other columns or types, or holds a number that is not finite: NULL is the only way to say that there
    is no value.
    """
    tables = published_tables()
    strangers = sorted(set(frames) - {table.name for table in tables})
    if strangers:
        raise ValueError(f"not tables to publish: {', '.join(strangers)}")
    missing = [table.name for table in tables if table.name not in frames]
    if missing:
        raise ValueError(f"no rows were handed over for: {', '.join(missing)}")
    return Lazily({table.name: partial(_from, frames, table) for table in tables})


def _from(frames: Mapping[str, pl.DataFrame], table: Table) -> pl.DataFrame:
    return _sorted(table, frames[table.name])


def in_order_of_keys(frames: dict[str, pl.DataFrame]) -> dict[str, pl.DataFrame]:
    """Some of the frames, with their columns as declared and their rows sorted by key. Raises ValueError."""
    return {name: _sorted(TABLES[name], frame) for name, frame in frames.items()}


def _sorted(table: Table, frame: pl.DataFrame) -> pl.DataFrame:
    schema = pl.Schema(polars_schema(table))
    if frame.schema != schema:
        raise ValueError(f"{table.name} is {dict(frame.schema)}, declared is {dict(schema)}")
    reals = [name for name, dtype in schema.items() if dtype == pl.Float64]
    odd = frame.select(pl.col(reals).is_finite().not_().any()).row(0) if reals else ()
    names = [name for name, is_odd in zip(reals, odd, strict=True) if is_odd]
    if names:
        raise ValueError(f"{table.name} holds a number that is not finite, in: {', '.join(names)}")
    return sorted_by(frame, table.key)

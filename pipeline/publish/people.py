"""Names and birth dates, apart from everything else and for their owner's eyes alone."""

from __future__ import annotations

from pathlib import Path

import polars as pl

from pipeline.publish.files import put
from pipeline.publish.flat import csv_writer, parquet_connection, parquet_writer
from pipeline.rights import private_folder
from schemas.core import Table
from schemas.frames import polars_schema

# Not in TABLES: no table of the warehouse or of the published file has names.
PEOPLE = Table(
    "athletes",
    "an athlete's name and birth date",
    ("athlete_id", "name", "birth_date"),
    key=("athlete_id",),
    required=frozenset({"athlete_id", "name"}),
)


def publish_people(folder: Path, people: pl.DataFrame) -> list[Path]:
    """Write `athletes.csv` and `athletes.parquet` from athlete_id, name and birth_date; returns them."""
    private_folder(folder)
    schema = pl.Schema(polars_schema(PEOPLE))
    rows = people.select(schema.names()).cast(schema).sort("athlete_id")
    csv = put(folder / "athletes.csv", csv_writer(rows, byte_order_mark=True), private=True)
    with parquet_connection() as connection:
        writer = parquet_writer(connection, PEOPLE, rows)
        return [csv, put(folder / "athletes.parquet", writer, private=True)]

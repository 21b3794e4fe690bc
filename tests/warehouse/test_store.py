"""The warehouse keeps what the declarations say, however it is stored."""

from __future__ import annotations

from datetime import date, datetime, time
from pathlib import Path

import duckdb
import polars as pl
import pytest

from pipeline.warehouse.store import ALL_TABLES, open_warehouse
from schemas.core import Family, Table
from schemas.ddl import create_stored_table
from schemas.families import FAMILIES
from schemas.frames import polars_schema
from schemas.tables import columns_of

VALUES = {
    pl.String: "a",
    pl.Int32: 1,
    pl.Int64: 1,
    pl.Float64: 1.5,
    pl.Boolean: True,
    pl.Date: date(2026, 3, 1),
    pl.Time: time(9),
    pl.Datetime: datetime(2026, 3, 1, 9),
}


@pytest.mark.parametrize("table", ALL_TABLES.values(), ids=lambda table: table.name)
def test_a_stored_table_has_the_declared_columns_in_order(table: Table):
    with duckdb.connect() as connection:
        connection.execute(create_stored_table(table))
        stored = connection.execute(f'DESCRIBE "{table.name}"').fetchall()
    assert [row[0] for row in stored] == list(columns_of(table))


@pytest.mark.parametrize("family", FAMILIES.values(), ids=lambda family: family.name)
def test_rows_of_trials_come_back_as_they_were_added(tmp_path: Path, family: Family):
    schema = polars_schema(ALL_TABLES[family.table])
    words = {name: field.values for name, field in columns_of(ALL_TABLES[family.table]).items()}
    one = {
        name: words[name][-1] if words[name] else VALUES[dtype.base_type()] for name, dtype in schema.items()
    }
    rows = pl.DataFrame(
        [
            one | {"row_id": row, "trial_id": row if family.row_is_trial else f"trial of {row}"}
            for row in ("r1", "r2")
        ],
        schema=schema,
    )
    file = tmp_path / "warehouse.duckdb"
    with open_warehouse(file) as warehouse:
        warehouse.append(family.table, rows)
    with open_warehouse(file) as warehouse:
        assert warehouse.read(family.table).equals(rows)
        assert warehouse.select(f"SELECT DISTINCT mark FROM {family.table}")["mark"].to_list() == ["failed"]
        assert warehouse.rows(family.table, f"trial_id = '{rows['trial_id'][1]}'").equals(rows[1:])

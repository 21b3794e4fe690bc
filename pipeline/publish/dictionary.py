"""The data dictionary: every published table, sample set, view and column, with type, unit and meaning."""

from __future__ import annotations

from datetime import date

import polars as pl

from pipeline.publish.frames import published_tables
from pipeline.publish.views import views
from schemas.catalogue import Metric
from schemas.core import Field
from schemas.ddl import SQL_TYPES
from schemas.tables import SAMPLE_SETS, TABLES, columns_of

_COLUMNS = ("table", "kind", "a_row_is", "column", "type", "unit", "meaning", "in_key")
# A view's columns do not depend on the day.
_ANY_DAY = date(2000, 1, 1)


def dictionary(catalogue: dict[str, Metric]) -> pl.DataFrame:
    """A row a column: table, kind, a_row_is, column, type, unit, meaning, in_key.

    `kind` is table, restricted table, sample set (Parquet files alone) or view.
    """
    rows = []
    for table in [*published_tables(), *(TABLES[name] for name in SAMPLE_SETS)]:
        kind = "restricted table" if table.restricted else "sample set" if table.is_set else "table"
        rows += [
            (table.name, kind, table.row_is, *_of(name, field), name in table.key)
            for name, field in columns_of(table).items()
        ]
    for view in views(_ANY_DAY, catalogue):
        rows += [
            (view.name, "view", view.row_is, *_of(name, field), False) for name, field in view.columns.items()
        ]
    return pl.DataFrame(rows, schema=list(_COLUMNS), orient="row", infer_schema_length=None)


def dictionary_text(words: pl.DataFrame) -> str:
    """The dictionary in plain columns for a terminal; `*` marks the key."""
    blocks = []
    for (table, kind, row_is), columns in words.group_by("table", "kind", "a_row_is", maintain_order=True):
        width = max(len(name) for name in columns["column"]) + 1
        lines = [f"{table} ({kind}): a row is {row_is}"]
        for row in columns.iter_rows(named=True):
            name = row["column"] + ("*" if row["in_key"] else "")
            unit = row["unit"] or ""
            lines.append(f"  {name:<{width}}  {row['type']:<9}  {unit:<14}  {row['meaning']}")
        blocks.append("\n".join(lines))
    return "\n\n".join(blocks) + "\n"


def _of(name: str, field: Field) -> tuple[str, str, str | None, str]:
    return name, SQL_TYPES[field.type], field.unit, field.comment

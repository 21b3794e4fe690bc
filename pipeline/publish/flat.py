"""The tables as files of their own: Parquet for all, CSV for those that people open in a spreadsheet."""

from __future__ import annotations

from collections.abc import Mapping
from contextlib import AbstractContextManager
from pathlib import Path

import duckdb
import polars as pl

from pipeline.publish.database import in_pieces, small_database, typed_rows
from pipeline.publish.datapackage import describe
from pipeline.publish.files import Writer, put, remove_others
from schemas.core import Table
from schemas.ddl import literal

_PIECE = 100_000  # rows of a CSV that are in memory as text
_FORMULA = r"^([=+\-@\t\r])"  # the signs of pipeline.formulas


def publish_flat(
    folder: Path,
    tables: list[Table],
    frames: Mapping[str, pl.DataFrame],
    title: str,
    sets: dict[str, list[Path]],
) -> list[Path]:
    """Write `<table>.parquet`, `<table>.csv` and, last, `datapackage.json`; returns them.

    `sets`: the files of each sample set below `folder`, which the descriptor names too. Files of tables that
    are not published any more are removed. The descriptor has the SHA-256 of each file, so that a reader in
    the middle of a change can tell.
    """
    folder.mkdir(parents=True, exist_ok=True)
    written: list[tuple[Table, Path]] = []
    with parquet_connection() as connection:
        for table in tables:
            frame = frames[table.name]
            parquet = put(folder / f"{table.name}.parquet", parquet_writer(connection, table, frame))
            written.append((table, parquet))
            if table.as_csv:
                written.append((table, put(folder / f"{table.name}.csv", csv_writer(frame))))
            del frame  # before the next one is made
    remove_others(folder, (".parquet", ".csv"), {path.name for _, path in written})
    text = describe(folder, written, sets, title)
    package = put(folder / "datapackage.json", lambda path: _write_text(path, text))
    return [*(path for _, path in written), package]


def parquet_connection() -> AbstractContextManager[duckdb.DuckDBPyConnection]:
    """What Parquet is written through: DuckDB with one thread, so that equal rows give equal bytes.

    polars would write a time of day in nanoseconds, which not every reader knows.
    """
    return small_database(threads=1)


def parquet_writer(connection: duckdb.DuckDBPyConnection, table: Table, frame: pl.DataFrame) -> Writer:
    """A writer of a frame as Parquet, in the types that the table has in SQL."""

    def write(path: Path) -> None:
        connection.register("rows_to_publish", in_pieces(frame))
        rows = typed_rows(table, "rows_to_publish")
        connection.execute(f"COPY ({rows}) TO {literal(str(path))} (FORMAT parquet, COMPRESSION zstd)")
        connection.unregister("rows_to_publish")

    return write


def csv_writer(frame: pl.DataFrame, byte_order_mark: bool = False) -> Writer:
    """A writer of a frame as CSV: UTF-8, comma, ISO dates, LF, no cell that a spreadsheet would compute.

    The mark makes a spreadsheet read names right; other tools stumble over it.
    """

    def write(path: Path) -> None:
        with path.open("wb") as file:
            for start in range(0, max(1, frame.height), _PIECE):
                first = start == 0
                piece = inert(frame.slice(start, _PIECE).rechunk())
                piece.write_csv(file, include_header=first, include_bom=first and byte_order_mark)

    return write


def inert(frame: pl.DataFrame) -> pl.DataFrame:
    """The frame with a `'` before each text that a spreadsheet would take for a formula."""
    computed = frame.select(pl.col(pl.String).str.contains(_FORMULA).any())
    names = [name for name in computed.columns if computed[name][0]]
    return frame.with_columns(pl.col(names).str.replace(_FORMULA, "'${1}"))


def _write_text(path: Path, text: str) -> None:
    path.write_text(text, encoding="utf-8", newline="\n")

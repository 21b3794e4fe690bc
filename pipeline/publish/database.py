"""A DuckDB file that clients of the last years open, replaced in one step under its readers."""

from __future__ import annotations

import contextlib
from collections.abc import Iterable, Iterator, Mapping
from pathlib import Path
from tempfile import TemporaryDirectory

import duckdb
import polars as pl
import pyarrow as pa

from pipeline.publish.files import put
from pipeline.publish.views import View
from pipeline.rights import owner_only
from schemas.core import Table
from schemas.ddl import SQL_TYPES, comments, create_table, literal, quote
from schemas.tables import columns_of

NAME = "yardmark.duckdb"
POINTER = "yardmark.current.txt"
# Read by DuckDB 1.2 and newer; the default of 2.x is read by no 1.x client.
STORAGE_VERSION = "v1.2.0"
MEMORY = "512MB"
"""What DuckDB may hold in memory while it writes what is published."""
_PIECE = 122_880  # rows of a row group of Parquet, so that where groups begin does not depend on the pieces


def publish_database(
    folder: Path,
    tables: list[Table],
    frames: Mapping[str, pl.DataFrame],
    views: Iterable[View] = (),
    parquet: Mapping[str, Path] | None = None,
    private: bool = False,
) -> list[Path]:
    """Write the tables and views to `yardmark.duckdb` in `folder`, and the pointer to it; returns both.

    `frames` are in the order they shall have; what a file of `parquet` has already is read from there. A
    reader that has the old file open keeps its numbers; who opens it anew gets the new ones. Where a reader's
    lock refuses that (Windows), the new file is `yardmark.<n>.duckdb`, and the pointer names it.
    """
    target = folder / NAME

    def write(temporary: Path) -> None:
        _write(temporary, tables, frames, parquet or {}, tuple(views))
        _drop_log_of(target)

    current = put(target, write, private)
    pointer = folder / POINTER
    _point(pointer, current.name)
    if private:
        owner_only(pointer)
    return [current, pointer]


def current_file(published: Path) -> Path:
    """The published DuckDB file to open now: the one that the pointer names."""
    pointer = published / POINTER
    if pointer.is_file():
        named = published / Path(pointer.read_text(encoding="utf-8").strip()).name
        if named.is_file():
            return named
    return published / NAME


@contextlib.contextmanager
def small_database(threads: int | None = None) -> Iterator[duckdb.DuckDBPyConnection]:
    """A database that holds little in memory. What goes beyond is written to a folder that is the owner's
    alone: DuckDB's own choice is the folder that the command was started in."""
    with TemporaryDirectory(prefix="yardmark-") as beyond:
        config: dict[str, str | bool | int | float | list[str]]
        config = {"memory_limit": MEMORY, "temp_directory": beyond}
        if threads is not None:
            config["threads"] = threads
        with duckdb.connect(":memory:", config=config) as connection:
            yield connection


def in_pieces(frame: pl.DataFrame) -> pa.RecordBatchReader:
    """The rows for DuckDB, which would else be given all of them a second time in its own form."""

    def pieces() -> Iterator[pa.RecordBatch]:
        for piece in frame.iter_slices(_PIECE):
            yield from piece.rechunk().to_arrow().to_batches()

    return pa.RecordBatchReader.from_batches(frame.clear().to_arrow().schema, pieces())


def typed_rows(table: Table, source: str) -> str:
    """SELECT of a table's columns, in their SQL types, from a source of rows as SQL names it."""
    columns = (
        f"CAST({quote(name)} AS {SQL_TYPES[field.type]}) AS {quote(name)}"
        for name, field in columns_of(table).items()
    )
    return f"SELECT {', '.join(columns)} FROM {source}"


def _write(
    path: Path,
    tables: list[Table],
    frames: Mapping[str, pl.DataFrame],
    parquet: Mapping[str, Path],
    views: tuple[View, ...],
) -> None:
    with small_database() as connection:
        connection.execute(f"ATTACH {literal(str(path))} AS published (STORAGE_VERSION '{STORAGE_VERSION}')")
        # Views then name their tables without the file, and hold under whatever name it is opened.
        connection.execute("USE published")
        connection.execute("BEGIN")
        for table in tables:
            connection.execute(create_table(table))
            insert = f"INSERT INTO {quote(table.name)} "
            if table.name in parquet:
                source = f"read_parquet({literal(str(parquet[table.name]))})"
                connection.execute(insert + typed_rows(table, source))
            else:
                connection.register("rows_to_publish", frames[table.name])
                connection.execute(insert + typed_rows(table, "rows_to_publish"))
                connection.unregister("rows_to_publish")
            connection.execute(";".join(comments(table)))
        for view in views:
            connection.execute(";".join(view.statements()))
        connection.execute("COMMIT")
        connection.execute("USE memory")
        connection.execute("DETACH published")


def _point(pointer: Path, name: str) -> None:
    """Write a name into the pointer, in place: a reader that has it open would refuse to have it replaced."""
    text = name + "\n"
    if not pointer.is_file() or pointer.read_text(encoding="utf-8") != text:
        pointer.write_text(text, encoding="utf-8", newline="\n")


def _drop_log_of(target: Path) -> None:
    """Remove what a crashed client left beside the old file: the new one would be opened together with it."""
    with contextlib.suppress(PermissionError):
        target.with_name(target.name + ".wal").unlink(missing_ok=True)

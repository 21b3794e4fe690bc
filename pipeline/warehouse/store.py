"""The warehouse file: tables made from the declarations, read and written as polars frames."""

from __future__ import annotations

import hashlib
from collections.abc import Callable, Collection, Iterable, Iterator, Mapping
from contextlib import contextmanager, suppress
from datetime import date
from pathlib import Path
from types import FunctionType, TracebackType
from typing import Any

import duckdb
import polars as pl
import polars.selectors as cs

from pipeline.in_order import sorted_by
from pipeline.rights import make_private_folder, owner_only
from schemas.ddl import create_stored_table, quote
from schemas.frames import polars_schema, stored_schema
from schemas.internal import INTERNAL
from schemas.tables import TABLES

ALL_TABLES = {**TABLES, **{name: table for name, (table, _) in INTERNAL.items()}}


MEMORY = "1GB"
"""What the database may hold in memory; beyond it it uses the disk."""

# From so many rows on, one thread stores them. Several leave blocks half full, which are written again at the
# end: of 780,000 repetitions and what was read of them, one thread made 55 MB in 2.4 s of processor time, two
# made 80 MB in 3.8 s, and by the clock no sooner.
_MANY = 100_000


_READ_AS = "2"
"""Raised where the same bytes are read to other rows than before, as their hashes are."""


def _selected(connection: duckdb.DuckDBPyConnection, sql: str) -> pl.DataFrame:
    frame: pl.DataFrame = connection.sql(sql).pl()
    return frame.with_columns(cs.categorical().cast(pl.String))  # What is stored as an ENUM.


def _done(connection: duckdb.DuckDBPyConnection, sql: str) -> None:
    connection.execute(sql)


def _seeing(function: Callable[..., Any], frames: Mapping[str, pl.DataFrame]) -> Callable[..., Any]:
    """The function with frames among its global variables, where DuckDB looks for a table that it lacks.

    Frames that are registered inside a transaction stay in memory until the connection closes, unregistered
    or not (measured with DuckDB 2.0.1): a file of 1 GB took 6 GB.
    """
    return FunctionType(function.__code__, {**function.__globals__, **frames})


def schema_hash() -> str:
    """Hash of all that the file's tables are made from; a change makes a rebuild."""
    text = "\n".join((_READ_AS, *(create_stored_table(table) for table in ALL_TABLES.values())))
    return hashlib.md5(text.encode(), usedforsecurity=False).hexdigest()[:16]


class WarehouseDamaged(Exception):
    """The warehouse file can't be opened, read or written; the message says what to do."""


# What DuckDB says of a file: it is damaged, held by somebody else, or can't grow.
_OF_THE_FILE = (
    duckdb.IOException,
    duckdb.FatalException,
    duckdb.InternalException,
    duckdb.SerializationException,
)


def _damaged(file: Path, what: str, error: Exception) -> WarehouseDamaged:
    said = f"the warehouse {file} can't be {what} ({str(error).split(chr(10), 1)[0]})"
    advice = "close it where it is open, and make room if the disk is full"
    return WarehouseDamaged(f"{said}; {advice}; else `yardmark rebuild` makes it anew from the archive")


class Warehouse:
    """One open warehouse. Use as a context manager; one writer at a time (the caller holds the lock)."""

    def __init__(self, file: Path) -> None:
        make_private_folder(file.parent)
        self.file = file
        is_new = not file.exists()
        self._con = duckdb.connect(str(file), config={"memory_limit": MEMORY})
        if is_new:
            owner_only(file)
        self._con.execute("SET enable_progress_bar = false")
        self._meta: dict[str, str] | None = None
        try:
            self._con.execute("CREATE TABLE IF NOT EXISTS _meta (key VARCHAR PRIMARY KEY, value VARCHAR)")
            # Made once, all or none: a command that only looks leaves the file as it is.
            if self.meta("schema_hash") is None:
                with self.transaction():
                    for table in ALL_TABLES.values():
                        self._con.execute(create_stored_table(table))
                    self.set_meta("schema_hash", schema_hash())
        except BaseException:
            self._con.close()
            raise

    def __enter__(self) -> Warehouse:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self._con.close()

    @contextmanager
    def transaction(self) -> Iterator[None]:
        """All that is written inside is committed at the end, or none of it."""
        self.execute("BEGIN TRANSACTION")
        try:
            yield
        except BaseException:
            self._meta = None
            # A file that can't be written any more undoes nothing; what went wrong first is told.
            with suppress(duckdb.Error):
                self._con.execute("ROLLBACK")
            raise
        self.execute("COMMIT")

    def give_up(self) -> None:
        """What this holds is true no more: who opens it next makes it anew."""
        self.set_meta("schema_hash", "given up")

    def read(self, name: str) -> pl.DataFrame:
        """All rows of a table, typed as declared, in the order of its key."""
        rows = self.rows(name, "true")
        key = ALL_TABLES[name].key
        return sorted_by(rows, key) if key else rows

    def rows(self, name: str, where: str, **frames: pl.DataFrame) -> pl.DataFrame:
        """The rows of a table for which an SQL condition holds, as declared; `frames` as in `select`."""
        frame = self.select(f"SELECT * FROM {quote(name)} WHERE {where}", **frames)
        return frame.select(pl.col(c).cast(t) for c, t in polars_schema(ALL_TABLES[name]).items())

    def select(self, sql: str, **frames: pl.DataFrame) -> pl.DataFrame:
        """What a query gives; it may read `frames` by their names."""
        with self._telling():
            frame: pl.DataFrame = _seeing(_selected, frames)(self._con, sql)
        return frame

    def execute(self, sql: str, **frames: pl.DataFrame) -> None:
        """Do a statement; it may read `frames` by their names."""
        with self._telling():
            _seeing(_done, frames)(self._con, sql)

    @contextmanager
    def _telling(self) -> Iterator[None]:
        """Raises WarehouseDamaged where the file itself can't be read or written."""
        try:
            yield
        except _OF_THE_FILE as error:
            raise _damaged(self.file, "read or written", error) from error

    def append(self, name: str, frame: pl.DataFrame) -> None:
        """Add rows to a table; the frame has the table's columns in any order."""
        if frame.is_empty():
            return
        stored = stored_schema(ALL_TABLES[name])
        rows = frame.select(pl.col(column).cast(dtype) for column, dtype in stored.items())
        insert = f"INSERT INTO {quote(name)} SELECT * FROM _incoming"
        if frame.height < _MANY:
            self.execute(insert, _incoming=rows)
            return
        threads = self.select("SELECT current_setting('threads') AS n")["n"].item()
        self.execute("SET threads = 1")
        try:
            self.execute(insert, _incoming=rows)
        finally:
            self.execute(f"SET threads = {threads}")

    def replace(self, name: str, frame: pl.DataFrame) -> None:
        """Put these rows in place of all that the table holds."""
        self.clear(name)
        self.append(name, frame)

    def clear(self, name: str) -> None:
        """Delete all rows of a table."""
        self.execute(f"DELETE FROM {quote(name)}")

    def delete(self, name: str, where: str, **frames: pl.DataFrame) -> None:
        """Delete the rows of a table for which an SQL condition holds; `frames` as in `select`."""
        self.execute(f"DELETE FROM {quote(name)} WHERE {where}", **frames)

    def delete_drops(self, name: str, drop_nos: Collection[int]) -> None:
        """Delete what was read of these drops, before they are read again."""
        if drop_nos:
            self.delete(
                name, "drop_no IN (FROM _drop_nos)", _drop_nos=pl.DataFrame({"drop_no": sorted(drop_nos)})
            )

    def count(self, name: str) -> int:
        """Number of rows of a table."""
        with self._telling():
            return int(self._con.execute(f"SELECT count(*) FROM {quote(name)}").fetchall()[0][0])

    def last_date(self, tables: Iterable[str], column: str) -> date | None:
        """The latest date in a column of some tables; None where they are empty."""
        asked = " UNION ALL ".join(f"SELECT max({quote(column)}) AS day FROM {quote(t)}" for t in tables)
        with self._telling():
            last: date | None = self._con.execute(f"SELECT max(day) FROM ({asked})").fetchall()[0][0]
        return last

    def meta(self, key: str) -> str | None:
        """A remembered value, or None."""
        if self._meta is None:
            # fetchall, because a result that is not read to its end blocks the connection.
            with self._telling():
                self._meta = dict(self._con.execute("SELECT key, value FROM _meta").fetchall())
        return self._meta.get(key)

    def set_meta(self, key: str, value: str) -> None:
        """Remember a value."""
        with self._telling():
            self._con.execute("INSERT OR REPLACE INTO _meta VALUES (?, ?)", [key, value])
        if self._meta is not None:
            self._meta[key] = value


def open_warehouse(file: Path) -> Warehouse:
    """Open the warehouse, or make it. One whose tables were declared otherwise is put aside for a rebuild:
    everything in it is made again from the archive, the config and the answers."""
    try:
        warehouse = Warehouse(file)
    except duckdb.Error as error:
        raise _damaged(file, "opened", error) from error
    if warehouse.meta("schema_hash") == schema_hash():
        return warehouse
    with warehouse:
        pass
    remove_warehouse(file)
    return Warehouse(file)


def remove_warehouse(file: Path) -> None:
    """Delete the warehouse file and its log; the log first, for it must not stand beside a new file."""
    for path in (file.with_name(file.name + ".wal"), file):
        path.unlink(missing_ok=True)

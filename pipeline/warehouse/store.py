"""The warehouse file: tables made from the declarations, read and written as polars frames."""

from __future__ import annotations

import hashlib
from collections.abc import Collection, Iterable, Iterator, Mapping
from contextlib import contextmanager
from datetime import date
from pathlib import Path
from types import TracebackType

import duckdb
import polars as pl

from pipeline.rights import make_private_folder, owner_only
from schemas.ddl import create_table, quote
from schemas.internal import INTERNAL
from schemas.models import polars_schema
from schemas.tables import TABLES

ALL_TABLES = {**TABLES, **{name: table for name, (table, _) in INTERNAL.items()}}


MEMORY = "1GB"
"""What the database may hold in memory; beyond it it uses the disk."""


def schema_hash() -> str:
    """Hash of all declarations that the file's tables are made from; a change makes a rebuild."""
    text = "\n".join(create_table(table) for table in ALL_TABLES.values())
    return hashlib.md5(text.encode(), usedforsecurity=False).hexdigest()[:16]


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
        self._con.execute("CREATE TABLE IF NOT EXISTS _meta (key VARCHAR PRIMARY KEY, value VARCHAR)")
        for table in ALL_TABLES.values():
            self._con.execute(create_table(table).replace("CREATE TABLE", "CREATE TABLE IF NOT EXISTS", 1))

    def __enter__(self) -> Warehouse:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self._con.close()

    @contextmanager
    def transaction(self) -> Iterator[None]:
        """All that is written inside is committed at the end, or none of it."""
        self._con.execute("BEGIN TRANSACTION")
        try:
            yield
        except BaseException:
            self._con.execute("ROLLBACK")
            self._meta = None
            raise
        self._con.execute("COMMIT")

    def read(self, name: str) -> pl.DataFrame:
        """All rows of a table, typed as declared, in the order of its key."""
        rows = self.rows(name, "true")
        key = ALL_TABLES[name].key
        return rows.sort(key, maintain_order=True) if key else rows

    def rows(self, name: str, where: str, **frames: pl.DataFrame) -> pl.DataFrame:
        """The rows of a table for which an SQL condition holds, as declared; `frames` as in `select`."""
        frame = self.select(f"SELECT * FROM {quote(name)} WHERE {where}", **frames)
        return frame.select(pl.col(c).cast(t) for c, t in polars_schema(ALL_TABLES[name]).items())

    def select(self, sql: str, **frames: pl.DataFrame) -> pl.DataFrame:
        """What a query gives; it may read `frames` by their names."""
        with self._lent(frames):
            frame: pl.DataFrame = self._con.sql(sql).pl()
        return frame

    def execute(self, sql: str, **frames: pl.DataFrame) -> None:
        """Do a statement; it may read `frames` by their names."""
        with self._lent(frames):
            self._con.execute(sql)

    @contextmanager
    def _lent(self, frames: Mapping[str, pl.DataFrame]) -> Iterator[None]:
        for name, frame in frames.items():
            self._con.register(name, frame)
        try:
            yield
        finally:
            for name in frames:
                self._con.unregister(name)

    def append(self, name: str, frame: pl.DataFrame) -> None:
        """Add rows to a table; the frame has the table's columns in any order."""
        if frame.is_empty():
            return
        schema = polars_schema(ALL_TABLES[name])
        rows = frame.select(pl.col(column).cast(dtype) for column, dtype in schema.items())
        self.execute(f"INSERT INTO {quote(name)} SELECT * FROM _incoming", _incoming=rows)

    def replace(self, name: str, frame: pl.DataFrame) -> None:
        """Put these rows in place of all that the table holds."""
        self.clear(name)
        self.append(name, frame)

    def clear(self, name: str) -> None:
        """Delete all rows of a table."""
        self._con.execute(f"DELETE FROM {quote(name)}")

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
        return int(self._con.execute(f"SELECT count(*) FROM {quote(name)}").fetchall()[0][0])

    def last_date(self, tables: Iterable[str], column: str) -> date | None:
        """The latest date in a column of some tables; None where they are empty."""
        asked = " UNION ALL ".join(f"SELECT max({quote(column)}) AS day FROM {quote(t)}" for t in tables)
        last: date | None = self._con.execute(f"SELECT max(day) FROM ({asked})").fetchall()[0][0]
        return last

    def meta(self, key: str) -> str | None:
        """A remembered value, or None."""
        if self._meta is None:
            # fetchall, because a result that is not read to its end blocks the connection.
            self._meta = dict(self._con.execute("SELECT key, value FROM _meta").fetchall())
        return self._meta.get(key)

    def set_meta(self, key: str, value: str) -> None:
        """Remember a value."""
        self._con.execute("INSERT OR REPLACE INTO _meta VALUES (?, ?)", [key, value])
        if self._meta is not None:
            self._meta[key] = value


class WarehouseDamaged(Exception):
    """The warehouse file can't be opened; the message says what to do."""


def open_warehouse(file: Path) -> Warehouse:
    """Open the warehouse, or make it. One whose tables were declared otherwise is put aside for a rebuild:
    everything in it is made again from the archive, the config and the answers."""
    if file.exists():
        try:
            with Warehouse(file) as old:
                known = old.meta("schema_hash")
        except duckdb.Error as error:
            said = f"the warehouse {file} can't be opened ({_first_line(error)})"
            advice = "close it where it is open; else `yardmark rebuild` makes it anew from the archive"
            raise WarehouseDamaged(f"{said}; {advice}") from error
        if known != schema_hash():
            remove_warehouse(file)
    warehouse = Warehouse(file)
    # Written once: a command that only looks leaves the file as it is.
    if warehouse.meta("schema_hash") is None:
        warehouse.set_meta("schema_hash", schema_hash())
    return warehouse


def _first_line(error: Exception) -> str:
    return str(error).split("\n", 1)[0]


def remove_warehouse(file: Path) -> None:
    """Delete the warehouse file and its log."""
    for path in (file, file.with_name(file.name + ".wal")):
        path.unlink(missing_ok=True)

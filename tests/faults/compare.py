"""What a facility holds, as far as it must not depend on how many runs it took, nor when."""

from __future__ import annotations

import csv
import hashlib
import shutil
from collections.abc import Iterable, Iterator
from pathlib import Path
from tempfile import TemporaryDirectory

import duckdb
import polars as pl

from pipeline.intake.answers import read_answers
from pipeline.warehouse.store import ALL_TABLES, Warehouse
from schemas.tables import TABLES

State = dict[str, object]
# Who has the lock, when it ran, and a page that says what time it is.
_PASSING = ("yardmark.lock", "yardmark.lock.owner", "runs.csv")
_TODAY = ("published/coach/today.html", "published/coach/today.csv")


def timeless(frame: pl.DataFrame) -> pl.DataFrame:
    """The rows in an order of their own, without the columns that say when files came, or in which run."""
    names = [name for name in frame.columns if not _tells_when(name)]
    return frame.select(names).sort(names) if names else frame.select(names)


def _tells_when(column: str) -> bool:
    return column.endswith("_at") or column in ("run_id", "known_from", "known_until")


def taken_in(folder: Path) -> State:
    """The warehouse, the archive, the inbox, the sheets, and what people have said."""
    # Nothing may be left lying about.
    state: State = {f"there is {name}": True for name in _files(folder)}
    # A copy of it: other test processes may look at the same one.
    with TemporaryDirectory() as place:
        for path in _below(folder / "warehouse"):
            shutil.copy(path, place)
        with Warehouse(Path(place) / "yardmark.duckdb") as warehouse:
            for name in ALL_TABLES:
                state[f"warehouse {name}"] = timeless(warehouse.read(name))
    for path in _below(folder / "archive"):
        if len(path.name) == 64:
            state[f"archive {path.name}"] = hashlib.sha256(path.read_bytes()).hexdigest() == path.name
    for name in ("archive/index.csv", "archive/forgotten.csv"):
        state[name] = _lines(folder / name)
    said = [(one.kind, one.subject, one.answer) for one in read_answers(folder / "config")]
    state["answers"] = list(dict.fromkeys(said))
    for path in (*_below(folder / "held"), *_below(folder / "inbox"), *_below(folder / "config")):
        if path.name != "answers.csv":
            state[path.relative_to(folder).as_posix()] = path.read_bytes()
    return state


def published(folder: Path) -> State:
    """All that is published."""
    state: State = {}
    for path in _below(folder / "published"):
        name = path.relative_to(folder).as_posix()
        if path.suffix == ".duckdb":
            with duckdb.connect(str(path), read_only=True) as connection:
                tables = connection.sql("SELECT table_name FROM duckdb_tables() ORDER BY ALL").fetchall()
                for (table,) in tables:
                    if table != "runs":
                        state[f"{name} {table}"] = timeless(connection.sql(f'FROM "{table}"').pl())
        elif path.suffix in (".parquet", ".csv") and _has_moments(path.stem):
            read = pl.read_parquet(path) if path.suffix == ".parquet" else _text(path)
            state[name] = timeless(read)
        elif name not in _TODAY and path.name != "datapackage.json":
            state[name] = path.read_bytes()
    return state


def everything(folder: Path) -> State:
    """Both."""
    return taken_in(folder) | published(folder)


def differences(found: State, wanted: State) -> list[str]:
    """The names of what is not as it should be."""
    return sorted(
        name for name in found.keys() | wanted.keys() if not _same(found.get(name), wanted.get(name))
    )


def _same(one: object, other: object) -> bool:
    if isinstance(one, pl.DataFrame) and isinstance(other, pl.DataFrame):
        return one.equals(other)
    return type(one) is type(other) and one == other


def _has_moments(table: str) -> bool:
    fields = TABLES[table].fields if table in TABLES else ()
    return any(map(_tells_when, fields))


def _text(path: Path) -> pl.DataFrame:
    return pl.read_csv(path, infer_schema=False)


def _below(folder: Path) -> Iterator[Path]:
    return (path for path in sorted(folder.rglob("*")) if path.is_file())


def _files(folder: Path) -> list[str]:
    """All files of the facility but those that come and go."""
    names = (path.relative_to(folder).as_posix() for path in _below(folder))
    return [name for name in names if name not in _PASSING]


def _lines(path: Path) -> list[tuple[str, ...]]:
    """The lines of a file of the archive, without the moment; said twice is as good as once."""
    if not path.is_file():
        return []
    with path.open(encoding="utf-8", newline="") as stream:
        rows: Iterable[list[str]] = list(csv.reader(stream))
    header, *rest = rows
    passing = [n for n, name in enumerate(header) if name in ("at", "received_at")]
    return list(dict.fromkeys(tuple(c for n, c in enumerate(row) if n not in passing) for row in rest))

"""What ran: one line a step in `runs.csv`, beside the lock; nothing else in yardmark reads the clock for it.

The log outlives the warehouse: a rebuild keeps it. A line that a power cut tore is ignored.
"""

from __future__ import annotations

import csv
import io
from dataclasses import astuple, dataclass, fields
from datetime import date, datetime
from pathlib import Path

import polars as pl

from pipeline.rights import make_private_folder
from schemas.frames import polars_schema
from schemas.tables import TABLES

FILE = "runs.csv"
KEPT = 5_000  # steps; the older half of twice as many is dropped
_MOST_BYTES = KEPT * 2 * 250


@dataclass(frozen=True)
class RunStep:
    """A step that ran: the columns of the table `runs`."""

    run_id: str
    step: str
    started_by: str
    as_of: date | None
    valid_on: date
    started_at: datetime
    seconds: float
    rows: int | None
    outcome: str
    code_version: str
    inputs_hash: str | None
    outputs_hash: str | None


_NAMES = [field.name for field in fields(RunStep)]


def record(state: Path, step: RunStep) -> None:
    """Append a step to the log. The caller holds the facility, or writes a line that stands for itself."""
    path = state / FILE
    make_private_folder(state)
    if path.is_file() and path.stat().st_size > _MOST_BYTES:
        _shorten(path)
    text = io.StringIO()
    writer = csv.writer(text, lineterminator="\n")
    if not path.is_file():
        writer.writerow(_NAMES)
    cells = ["" if cell is None else str(cell).replace("\n", " ") for cell in astuple(step)]
    writer.writerow(cells)
    with path.open("a", encoding="utf-8", newline="") as stream:
        stream.write(("\n" if _is_torn(path) else "") + text.getvalue())


def read_runs(state: Path) -> pl.DataFrame:
    """The table `runs`: a row a step that ran, in the order of their starts."""
    schema = polars_schema(TABLES["runs"])
    path = state / FILE
    if not path.is_file():
        return pl.DataFrame(schema=schema)
    with path.open(encoding="utf-8", newline="") as stream:
        lines = [line for line in stream if line.endswith("\n")]
    rows = [row for row in csv.DictReader(lines) if None not in row and None not in row.values()]
    text = pl.DataFrame(rows, schema=dict.fromkeys(_NAMES, pl.String))
    typed = text.select(_cast(name, dtype) for name, dtype in schema.items())
    return typed.drop_nulls(["run_id", "started_at", "valid_on"]).sort("started_at", maintain_order=True)


def _cast(name: str, dtype: pl.DataType | type[pl.DataType]) -> pl.Expr:
    filled = pl.when(pl.col(name) != "").then(pl.col(name))
    if dtype == pl.Date:
        return filled.str.to_date("%Y-%m-%d", strict=False).alias(name)
    if isinstance(dtype, pl.Datetime):
        return filled.str.to_datetime("%Y-%m-%d %H:%M:%S%.f", time_unit=dtype.time_unit, strict=False).alias(
            name
        )
    return filled.cast(dtype, strict=False).alias(name)


def _is_torn(path: Path) -> bool:
    """Whether the last line has no end: a power cut left it so."""
    with path.open("rb") as stream:
        stream.seek(max(0, path.stat().st_size - 1))
        return stream.read() not in (b"", b"\n")


def _shorten(path: Path) -> None:
    """Keep the newest steps only; a reader sees the old file or the new one."""
    lines = path.read_text(encoding="utf-8").splitlines(keepends=True)
    shorter = path.with_name(f".{path.name}.part")
    shorter.write_text("".join([lines[0], *lines[1:][-KEPT:]]), encoding="utf-8", newline="\n")
    shorter.replace(path)

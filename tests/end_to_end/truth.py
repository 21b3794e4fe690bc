"""What a warehouse holds, set against the truth that the generator wrote."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

import duckdb
import polars as pl

from schemas.core import Family
from schemas.families import FAMILIES

# Facts that the truth gives as words or whole numbers; a stored row has the same word.
FACTS = (
    "athlete_id", "device", "test", "trial", "hop", "leg", "hands", "mark", "side", "start", "surface",
    "timing", "course", "approach", "quantity", "reading", "method_version",
    "lift", "variant", "implement", "accommodating", "intent", "set", "rep",
    "site", "measurer", "direction", "posture", "examiner", "pull", "resistance_setting",
)  # fmt: skip
ROOM = 1e-9


@dataclass(frozen=True)
class Warehouse:
    """A finished warehouse, read once."""

    fates: pl.DataFrame  # file, line, fate
    numbers: pl.DataFrame  # family, file, line, column, gate, what, stored, local_date, local_time, FACTS
    held: pl.DataFrame  # file, line, code


def read_truth(folder: Path, name: str) -> pl.DataFrame:
    """A table of the truth, all text but `line`; an empty cell is null."""
    frame = pl.read_csv(folder / f"{name}.csv", infer_schema=False)
    return frame.with_columns(pl.col("line").cast(pl.Int32))


def read_warehouse(facility: Path) -> Warehouse:
    """What the warehouse of a facility says of every line and every number."""
    with duckdb.connect(str(facility / "warehouse" / "yardmark.duckdb"), read_only=True) as connection:
        fates = connection.sql(
            """SELECT path AS file, unnest(range(f.first_line, last_line + 1))::INTEGER AS line, fate
               FROM line_fates AS f JOIN _drops USING (drop_id)"""
        ).pl()
        held = connection.sql(
            """SELECT path AS file, line, code FROM held_rows AS h
               JOIN _drops AS d ON d.file_id[:16] = h.file_id AND d.state <> 'repeated'"""
        ).pl()
        drops = connection.sql(
            "SELECT path AS file, file_id[:16] AS file_id FROM _drops WHERE state <> 'repeated'"
        ).pl()
        trials = {
            family.name: connection.sql(_rows(family)).pl().join(drops, on="file_id")
            for family in FAMILIES.values()
        }
    numbers = pl.concat([_numbers(name, rows) for name, rows in trials.items()], how="diagonal")
    return Warehouse(fates, numbers, held)


def _rows(family: Family) -> str:
    """The query of a family's trial rows; of traces, a row a sample with what is told of its run."""
    if family.trace is None:
        return f"SELECT * FROM {family.table}"
    return f"""SELECT r.* EXCLUDE (file_id, line), s.* EXCLUDE (sample_set_id)
               FROM {family.table} AS r JOIN {family.trace.table} AS s USING (sample_set_id)"""


def _numbers(family: str, rows: pl.DataFrame) -> pl.DataFrame:
    """A row a stored number that is not null, with the facts of its row as text."""
    reals = [field.name for field in FAMILIES[family].columns if field.type == "real"]
    facts = [name for name in FACTS if name in rows.columns]
    gate = _gate("distance_m") if "distance_m" in reals else pl.lit(None, pl.Int64)
    named = rows.with_columns(
        pl.col("local_date", "local_time", *facts).cast(pl.String), family=pl.lit(family), gate=gate
    )
    about = ["family", "file", "line", "gate", "local_date", "local_time", *facts]
    long = named.unpivot(reals, index=about, variable_name="column", value_name="stored")
    return long.filter(pl.col("stored").is_not_null())


def _gate(name: str) -> pl.Expr:
    """Distances are told apart by whole metres: yards and feet are rounded in the export."""
    return pl.col(name).cast(pl.Float64).round().cast(pl.Int64)


def true_held(truth: Path) -> pl.DataFrame:
    """What must be held: file, line (none where the whole file is), code."""
    lines = read_truth(truth, "lines").filter(pl.col("fate") == "held")
    whole = pl.when(pl.col("code") == "no_layout").then(None).otherwise(pl.col("line"))
    return lines.select("file", whole.alias("line"), "code").unique()


def true_numbers(truth: Path) -> pl.DataFrame:
    """The numbers that must be stored: those of current rows."""
    rows = read_truth(truth, "measurements").filter(pl.col("current") == "1")
    return rows.with_columns(
        pl.col("exported_value", "step").cast(pl.Float64),
        pl.col("mark").fill_null("ok"),  # a device that writes no mark means that the trial counts
        gate=_gate("distance_m"),
    )


def stored_numbers(said: pl.DataFrame, warehouse: Warehouse) -> pl.DataFrame:
    """The stored numbers as the truth tells them: a line's wind once, and no constant of the layout.

    The truth has a fact of a whole line once; the table has it on the row of each gate. A distance that the
    truth does not have is the layout's, of a column such as `10 m`.
    """
    of_lines = said.filter(pl.col("gate").is_null()).select("file", "line", "column", of_line=True).unique()
    told = said.filter(pl.col("column") == "distance_m").select("device", distance_told=True).unique()
    nearest = pl.col("gate") == pl.col("gate").min().over("file", "line", "column")
    of_line = pl.col("of_line").fill_null(False)
    return (
        warehouse.numbers.join(of_lines, on=["file", "line", "column"], how="left")
        .join(told, on="device", how="left")
        .filter((pl.col("column") != "distance_m") | pl.col("distance_told").fill_null(False))
        .filter(of_line.not_() | nearest.fill_null(True))
        .with_columns(gate=pl.when(of_line.not_()).then(pl.col("gate")))
    )


def wrong_fates(truth: Path, warehouse: Warehouse) -> pl.DataFrame:
    """Lines whose fate is not the one the truth says: file, line, fate, code, stored."""
    lines = read_truth(truth, "lines").filter(pl.col("fate").is_not_null())
    said = lines.select("file", "line", "fate", "code")
    stored = warehouse.fates.rename({"fate": "stored"})
    both = said.join(stored, on=["file", "line"], how="full", coalesce=True)
    return both.filter(pl.col("fate").ne_missing(pl.col("stored")))


def wrong_numbers(truth: Path, warehouse: Warehouse) -> pl.DataFrame:
    """Numbers that are stored otherwise than the truth says, twice, or in one of the two only.

    The truth's columns, `stored`, `off` [SI] (what is stored less what the export's text says exactly), and
    `times` a number is there.
    """
    said = true_numbers(truth)
    key = ["family", "file", "line", "column", "gate", *FACTS, "local_date", "local_time"]
    stored = stored_numbers(said, warehouse).select(*key, "stored")
    both = said.join(stored, on=key, how="full", coalesce=True, nulls_equal=True)
    off = (pl.col("stored") - pl.col("exported_value")).abs()
    right = off <= pl.col("step") / 2 + ROOM
    times = pl.len().over(key)
    return both.with_columns(off=off, times=times).filter(~right.fill_null(False) | (pl.col("times") > 1))

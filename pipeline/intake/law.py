"""The law of rows, checked against what the warehouse really holds before anything is committed."""

from __future__ import annotations

import polars as pl

from pipeline.intake.drops import Batch
from pipeline.intake.resolve import FILE_DIGITS, Resolved
from pipeline.intake.traces import TRACES
from pipeline.warehouse.store import Warehouse
from schemas.core import Family
from schemas.families import FAMILIES
from schemas.internal import read_table
from schemas.tables import SAMPLE_SETS, TRIAL_TABLES


class LawOfRows(Exception):
    """A line is not accounted for: a fault of yardmark, so nothing is committed."""


def check_read(warehouse: Warehouse, batch: Batch) -> None:
    """Every row that reading promised is in the `_read_` tables, unless its line waits.

    Raises LawOfRows naming the first line that lost or gained a row.
    """
    kept = pl.concat(
        [warehouse.read(read_table(family).name).select("drop_no", "line") for family in FAMILIES.values()]
    )
    found = kept.group_by("drop_no", "line").agg(found=pl.len())
    waits = (
        warehouse.read("_problems").filter(pl.col("line").is_not_null()).select("drop_no", "line").unique()
    )
    promised = batch.promised.join(waits, on=["drop_no", "line"], how="anti")
    compared = promised.join(found, on=["drop_no", "line"], how="left").with_columns(
        pl.col("found").fill_null(0)
    )
    lost = compared.filter(pl.col("n") != pl.col("found")).sort("drop_no", "line")
    _refuse(warehouse, lost, "the line has {} row(s), and {} of them were read")


def check_resolved(warehouse: Warehouse, resolved: Resolved) -> None:
    """Every line of every file has one fate, and the tables agree with it.

    Raises LawOfRows naming the first line that does not.
    """
    drops = warehouse.read("_drops").with_columns(file=pl.col("file_id").str.slice(0, FILE_DIGITS))
    fates = warehouse.read("line_fates").join(drops.select("drop_id", "drop_no"), on="drop_id")
    lines = fates.select(
        "drop_no", "fate", line=pl.int_ranges("first_line", pl.col("last_line") + 1, dtype=pl.Int32)
    ).explode("line")
    _check_every_line(warehouse, drops, lines)
    _check_rows(warehouse, drops, lines, resolved)
    for family in TRACES.values():
        _check_runs(warehouse, drops, family)
    _check_held(warehouse, drops, lines)


def _check_every_line(warehouse: Warehouse, drops: pl.DataFrame, lines: pl.DataFrame) -> None:
    due = (
        drops.filter(pl.col("n_lines") > 0)
        .select(
            "drop_no",
            line=pl.int_ranges("first_line", pl.col("first_line") + pl.col("n_lines"), dtype=pl.Int32),
        )
        .explode("line")
    )
    counted = lines.group_by("drop_no", "line").agg(found=pl.len())
    compared = due.with_columns(n=pl.lit(1)).join(counted, on=["drop_no", "line"], how="full", coalesce=True)
    wrong = compared.with_columns(pl.col("n").fill_null(0), pl.col("found").fill_null(0)).filter(
        pl.col("n") != pl.col("found")
    )
    _refuse(warehouse, wrong.sort("drop_no", "line"), "the line should have {} fate(s), and has {}")


def _check_rows(warehouse: Warehouse, drops: pl.DataFrame, lines: pl.DataFrame, resolved: Resolved) -> None:
    # The lines of a trace stand in its set of samples; its run has the first of them only.
    of_traces = [family.table for family in TRACES.values()]
    rows = [warehouse.read(name) for name in TRIAL_TABLES if name not in of_traces]
    rows.append(warehouse.read("superseded_rows").filter(~pl.col("source_table").is_in(of_traces)))
    trials = pl.concat([frame.select("row_id", "file_id", "line") for frame in rows]).unique()
    samples = [warehouse.read(name).select("file_id", "line") for name in SAMPLE_SETS]
    stored = pl.concat([trials.drop("row_id"), *samples])
    by_line = stored.group_by("file_id", "line").agg(found=pl.len())
    files = drops.filter(pl.col("state") == "read").select("drop_no", file_id="file")
    with_rows = lines.filter(pl.col("fate").is_in(["loaded", "superseding"])).select("drop_no", "line")
    expected = with_rows.join(resolved.expected, on=["drop_no", "line"], how="left").join(files, on="drop_no")
    compared = expected.join(by_line, on=["file_id", "line"], how="full", coalesce=True).join(
        files.rename({"drop_no": "number"}), on="file_id", how="left"
    )
    wrong = compared.with_columns(
        pl.col("n").fill_null(0),
        pl.col("found").fill_null(0),
        pl.coalesce("drop_no", "number").alias("drop_no"),
    ).filter((pl.col("n") != pl.col("found")) | (pl.col("n") == 0))
    _refuse(
        warehouse, wrong.sort("drop_no", "line"), "the line has {} row(s) to keep, and {} are in the tables"
    )


def _check_runs(warehouse: Warehouse, drops: pl.DataFrame, family: Family) -> None:
    """Every set of samples has its run, and every run, current or earlier, its samples."""
    current = warehouse.read(family.table).select("row_id", "file_id", "line")
    earlier = warehouse.read("superseded_rows").filter(pl.col("source_table") == family.table)
    # A correction makes versions of a run that share its samples.
    runs = pl.concat([current, earlier.select(current.columns)]).unique()
    samples = warehouse.read(family.trace.table if family.trace else family.table)
    sets = samples.group_by("sample_set_id").agg(pl.col("file_id").first(), pl.col("line").min())
    at = ["file_id", "line"]
    counted = runs.group_by(at).agg(n=pl.len())
    found = sets.group_by(at).agg(found=pl.len())
    files = drops.filter(pl.col("state") != "repeated").select("drop_no", file_id="file")
    compared = counted.join(found, on=at, how="full", coalesce=True).join(files, on="file_id", how="left")
    wrong = compared.with_columns(pl.col("n", "found").fill_null(0)).filter(pl.col("n") != pl.col("found"))
    _refuse(
        warehouse,
        wrong.select("drop_no", "line", "n", "found").sort("drop_no", "line"),
        "{} run(s) begin here, and {} set(s) of samples",
    )


def _check_held(warehouse: Warehouse, drops: pl.DataFrame, lines: pl.DataFrame) -> None:
    """Every held line says why: by itself, or its file as a whole."""
    held = warehouse.read("held_rows").filter(pl.col("state") != "released")
    whole = held.filter(pl.col("line").is_null()).select("file_id").unique()
    files = drops.select("drop_no", file_id="file")
    due = (
        lines.filter(pl.col("fate") == "held").join(files, on="drop_no").join(whole, on="file_id", how="anti")
    )
    reasons = held.group_by("file_id", "line").agg(found=pl.len())
    compared = due.join(reasons, on=["file_id", "line"], how="left")
    silent = compared.filter(pl.col("found").is_null()).select("drop_no", "line", n=1, found=0)
    _refuse(warehouse, silent.sort("drop_no", "line"), "the line is held for {} reason(s), and {} are stored")


def _refuse(warehouse: Warehouse, wrong: pl.DataFrame, sentence: str) -> None:
    if wrong.is_empty():
        return
    drop_no, line, n, found = wrong.select("drop_no", "line", "n", "found").row(0)
    drops = warehouse.read("_drops")
    path = drops.filter(pl.col("drop_no") == drop_no)["path"].to_list()
    where = f"{path[0] if path else 'a file'}, line {line}"
    raise LawOfRows(
        f"{where}: {sentence.format(n, found)}. Nothing was stored; the file stays in the inbox. "
        "This is a fault of yardmark, not of the file: please report it."
    )

"""The law of rows, checked against what the warehouse really holds before anything is committed."""

from __future__ import annotations

from collections.abc import Mapping

import polars as pl

from pipeline.intake.closure import listed
from pipeline.intake.drops import Batch
from pipeline.intake.resolve import Resolved
from pipeline.intake.traces import TRACES
from pipeline.warehouse.store import Warehouse
from schemas.core import Family
from schemas.families import FAMILIES
from schemas.internal import read_table


class LawOfRows(Exception):
    """A line is not accounted for: a fault of yardmark, so nothing is committed."""


def check_read(warehouse: Warehouse, batch: Batch) -> None:
    """Every row that reading promised is in the `_read_` tables, unless its line waits.

    Raises LawOfRows naming the first line that lost or gained a row.
    """
    if batch.promised.is_empty():
        return
    first, last = batch.promised.select(first=pl.col("line").min(), last=pl.col("line").max()).row(0)
    these = f"drop_no IN {listed(batch.drop_nos)} AND line BETWEEN {first} AND {last}"
    kept = " UNION ALL ".join(
        f"SELECT drop_no, line FROM {read_table(family).name} WHERE {these}" for family in FAMILIES.values()
    )
    stored = warehouse.select(kept)
    waits = warehouse.select(f"SELECT DISTINCT drop_no, line FROM _problems WHERE {these}")
    promised = batch.promised
    if waits.height:
        promised = promised.join(waits, on=["drop_no", "line"], how="anti")
    _refuse_unlike(warehouse, promised, promised, stored, "the line has {} row(s), and {} of them were read")


def _refuse_unlike(
    warehouse: Warehouse, lines: pl.DataFrame, due: pl.DataFrame, stored: pl.DataFrame, sentence: str
) -> None:
    """Refuse where one of `lines` (drop_no, line) has another number of rows in `stored` (drop_no, line of
    each row) than `due` says (n; none: 0)."""
    place = pl.col("drop_no").cast(pl.Int64) * 2**32 + pl.col("line")
    runs = stored.select(runs=place.sort().rle()).select(
        place=pl.col("runs").struct.field("value"), n=pl.col("runs").struct.field("len")
    )
    if runs.equals(
        due.filter(pl.col("n") > 0).select(place=place, n=pl.col("n").cast(pl.UInt32)).sort("place")
    ):
        return  # Mostly so, and sooner seen than by joins.
    at = ["drop_no", "line"]
    compared = (
        lines.select(at)
        .join(due, on=at, how="left")
        .join(stored.group_by(at).agg(found=pl.len()), on=at, how="left")
        .with_columns(pl.col("n", "found").fill_null(0))
    )
    _refuse(warehouse, compared.filter(pl.col("n") != pl.col("found")).sort(at), sentence)


def check_part(
    warehouse: Warehouse, days: Mapping[str, str], resolved: Resolved, lines: pl.DataFrame
) -> None:
    """The tables hold of each of these lines (drop_no, file, line) the rows that they should hold of it.

    `days`: name of each family that has rows here -> the SQL condition of their days.

    Raises LawOfRows naming the first line of which they do not.
    """
    if lines.is_empty():
        return
    first, last = lines.select(first=pl.col("line").min(), last=pl.col("line").max()).row(0)
    kept = [f"SELECT * FROM ({_kept(FAMILIES[name], within)})" for name, within in days.items()]
    stored = warehouse.select(
        f"""SELECT o.drop_no, k.line
            FROM ({" UNION ALL ".join(kept)}) k JOIN _of o ON k.file_id = o.file
            WHERE k.line BETWEEN {first} AND {last}""",
        _of=lines.select("drop_no", "file").unique("drop_no"),
    )
    sentence = "the line has {} row(s) to keep, and {} are in the tables"
    _refuse_unlike(warehouse, lines, resolved.expected, stored, sentence)


def _kept(family: Family, days: str) -> str:
    """A query for file_id and line of all rows of the files `_of` that a family has on these days, and of
    earlier versions that are of other lines: a correction makes versions of one row and line."""
    mine = "file_id IN (SELECT file FROM _of)"
    if family.trace is not None:  # The lines of a trace stand in its set of samples.
        return f"SELECT file_id, line FROM {family.trace.table} WHERE {mine}"
    return f"""SELECT file_id, line FROM {family.table} WHERE {mine} AND {days}
               UNION ALL SELECT file_id, line FROM (
                   SELECT DISTINCT row_id, file_id, line FROM superseded_rows s
                   WHERE source_table = '{family.table}' AND {mine} AND NOT EXISTS (
                       SELECT 1 FROM {family.table} t WHERE {days}
                       AND t.row_id = s.row_id AND t.file_id = s.file_id AND t.line = s.line))"""


def check_drops(
    warehouse: Warehouse, days: Mapping[str, str], drops: pl.DataFrame, expected: pl.DataFrame
) -> None:
    """Every line of these drops has one fate, every held one says why, and of those of `expected` (drop_no,
    n) the tables hold no other rows on `days` (see `check_part`).

    Raises LawOfRows naming the first line that breaks the law.
    """
    fates = warehouse.rows("line_fates", "drop_id IN (SELECT drop_id FROM _of)", _of=drops).join(
        drops.select("drop_id", "drop_no", "file"), on="drop_id"
    )
    _check_every_line(warehouse, drops, fates)
    _check_loaded(warehouse, days, drops, expected)
    for family in TRACES.values():
        _check_runs(warehouse, drops, family)
    _check_held(warehouse, fates)


def _check_every_line(warehouse: Warehouse, drops: pl.DataFrame, fates: pl.DataFrame) -> None:
    """The runs of fates of a drop follow one another from its first line to its last."""
    due = drops.select("drop_no", starts="first_line", ends=pl.col("first_line") + pl.col("n_lines") - 1)
    runs = pl.concat(
        [
            fates.select("drop_no", "first_line", "last_line"),
            due.select("drop_no", first_line=pl.col("ends") + 1, last_line=pl.lit(None, dtype=pl.Int32)),
        ]
    ).drop_nulls("first_line")
    follows = pl.col("last_line").shift(1).over("drop_no") + 1
    runs = runs.sort("drop_no", "first_line", nulls_last=True).join(due, on="drop_no", how="left")
    next_line = pl.coalesce(follows, "starts")
    wrong = runs.with_columns(next_line=next_line).filter(pl.col("next_line") != pl.col("first_line"))
    told = wrong.select(
        "drop_no",
        line=pl.min_horizontal("next_line", "first_line"),
        n=pl.lit(1),
        found=pl.when(pl.col("next_line") < pl.col("first_line")).then(0).otherwise(2),
    )
    _refuse(warehouse, told.sort("drop_no", "line"), "the line should have {} fate(s), and has {}")


def _check_loaded(
    warehouse: Warehouse, days: Mapping[str, str], drops: pl.DataFrame, expected: pl.DataFrame
) -> None:
    """The tables hold as many rows of a file as its lines should have, so none of any other line."""
    whole = drops.filter(pl.col("state") == "read").join(expected, on="drop_no")
    rows = [f"SELECT * FROM ({_kept(FAMILIES[name], within)})" for name, within in days.items()]
    counted = warehouse.select(
        f"""SELECT file_id AS file, count(*) AS found, min(line) AS line
            FROM ({" UNION ALL ".join(rows or ["SELECT file AS file_id, 0 AS line FROM _of WHERE false"])})
            GROUP BY ALL""",
        _of=whole.select("file"),
    )
    compared = whole.join(counted, on="file", how="left").with_columns(
        pl.col("found").fill_null(0), line=pl.coalesce("line", "first_line")
    )
    _refuse(
        warehouse,
        compared.filter(pl.col("n") != pl.col("found")),
        "from this line on, the file has {} row(s) to keep, and {} are in the tables",
    )


def _check_runs(warehouse: Warehouse, drops: pl.DataFrame, family: Family) -> None:
    """Every set of samples has its run, and every run, current or earlier, its samples."""
    of_family = drops.filter((pl.col("state") == "read") & (pl.col("family") == family.name))
    if of_family.is_empty() or family.trace is None:
        return
    these = "file_id IN (SELECT file FROM _of)"
    # A correction makes versions of a run that share its samples.
    runs = warehouse.select(
        f"""SELECT file_id, line, count(*) AS n FROM (
                SELECT row_id, file_id, line FROM {family.table} WHERE {these}
                UNION SELECT row_id, file_id, line FROM superseded_rows
                WHERE source_table = '{family.table}' AND {these}) GROUP BY ALL""",
        _of=of_family,
    )
    sets = warehouse.select(
        f"""SELECT file_id, line, count(*) AS found FROM (
                SELECT sample_set_id, any_value(file_id) AS file_id, min(line) AS line
                FROM {family.trace.table} WHERE {these} GROUP BY sample_set_id) GROUP BY ALL""",
        _of=of_family,
    )
    files = of_family.select("drop_no", file_id="file")
    compared = runs.join(sets, on=["file_id", "line"], how="full", coalesce=True).join(
        files, on="file_id", how="left"
    )
    wrong = compared.with_columns(pl.col("n", "found").fill_null(0)).filter(pl.col("n") != pl.col("found"))
    _refuse(warehouse, wrong.sort("drop_no", "line"), "{} run(s) begin here, and {} set(s) of samples")


def _check_held(warehouse: Warehouse, fates: pl.DataFrame) -> None:
    """Every held line says why: by itself, or its file as a whole."""
    waiting = fates.filter(pl.col("fate") == "held")
    held = warehouse.select(
        """SELECT DISTINCT file_id AS file, line FROM held_rows
           WHERE state <> 'released' AND file_id IN (SELECT file FROM _of)""",
        _of=waiting,
    )
    whole = held.filter(pl.col("line").is_null()).select("file").unique()
    due = (
        waiting.join(whole, on="file", how="anti")
        .select("drop_no", "file", line=pl.int_ranges("first_line", pl.col("last_line") + 1, dtype=pl.Int32))
        .explode("line")
    )
    silent = due.join(held, on=["file", "line"], how="anti").select("drop_no", "line", n=1, found=0)
    _refuse(warehouse, silent.sort("drop_no", "line"), "the line is held for {} reason(s), and {} are stored")


def _refuse(warehouse: Warehouse, wrong: pl.DataFrame, sentence: str) -> None:
    if wrong.is_empty():
        return
    drop_no, line, n, found = wrong.select("drop_no", "line", "n", "found").row(0)
    path = warehouse.select(f"SELECT path FROM _drops WHERE drop_no = {int(drop_no)}")["path"].to_list()
    where = f"{path[0] if path else 'a file'}, line {line}"
    raise LawOfRows(
        f"{where}: {sentence.format(n, found)}. Nothing was stored; the file stays in the inbox. "
        "This is a fault of yardmark, not of the file: please report it."
    )

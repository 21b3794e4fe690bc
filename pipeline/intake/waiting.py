"""What waits for a person now: the open held rows with all that a question needs, and their sheets."""

from __future__ import annotations

from collections.abc import Collection

import polars as pl

from pipeline.facility.folder import Facility
from pipeline.intake.closure import listed
from pipeline.intake.knowledge import Knowledge
from pipeline.intake.questions import names_sheet, sheets_of
from pipeline.intake.renew import READ_TABLES
from pipeline.intake.resolve import FILE_DIGITS
from pipeline.intake.sheets import sheet_name, write_sheets
from pipeline.intake.traces import TRACES, with_questions
from pipeline.warehouse.store import Warehouse
from schemas.internal import read_table


def held_with_context(warehouse: Warehouse) -> pl.DataFrame:
    """Open held rows with what an answer needs: file, line, code, field, seen (the written name too), device,
    day, drop_no, file_id, path and layout, and `question`, equal where one answer is for several lines."""
    held = warehouse.rows("held_rows", "state = 'open'").rename({"file_id": "file"})
    drops = drops_of(warehouse, held["file"].unique())
    columns = ("file", "drop_no", "file_id", "device", "path", "layout")
    held = held.join(drops.select(columns), on="file")
    lines = held.select("drop_no", "line").unique()
    at = ["drop_no", "line", "code", "field"]
    # What was seen may be a name, or a line with one: `held_rows`, which is published, does not say it.
    seen = warehouse.select(
        f"""SELECT drop_no, line, code, field, any_value(seen) AS in_text FROM _problems
            WHERE drop_no IN {listed(drops["drop_no"])} AND (field IS NULL OR field = 'athlete')
            GROUP BY ALL"""
    )
    held = held.join(seen, on=at, how="left", nulls_equal=True)
    held = held.join(_names_and_days(warehouse, lines), on=["drop_no", "line"], how="left")
    name = pl.when(pl.col("field") == "athlete").then("written_name")
    told = held.with_columns(seen=pl.coalesce("value", "in_text", name)).drop("in_text").sort(at)
    return with_questions(told, drops, _rows_of_traces(warehouse, drops, lines))


def drops_of(warehouse: Warehouse, files: Collection[str]) -> pl.DataFrame:
    """The drops that stand for these files (16 digits), with `file`."""
    wanted = pl.DataFrame({"file": list(files)}, {"file": pl.String})
    drops = warehouse.rows("_drops", "state <> 'repeated' AND file_id[:16] IN (FROM _wanted)", _wanted=wanted)
    return drops.with_columns(file=pl.col("file_id").str.slice(0, FILE_DIGITS))


def _names_and_days(warehouse: Warehouse, lines: pl.DataFrame) -> pl.DataFrame:
    """drop_no, line, written_name and day of lines that were read."""
    these = f"drop_no IN {listed(lines['drop_no'].unique())} AND (drop_no, line) IN (FROM _lines)"
    rows = " UNION ALL ".join(
        f"SELECT drop_no, line, written_name, local FROM {name} WHERE {these}" for name in READ_TABLES
    )
    return warehouse.select(
        f"""SELECT drop_no, line, any_value(written_name) AS written_name,
                   any_value(CAST(local AS DATE)) AS day FROM ({rows}) GROUP BY ALL""",
        _lines=lines,
    )


def _rows_of_traces(
    warehouse: Warehouse, drops: pl.DataFrame, lines: pl.DataFrame
) -> dict[str, pl.DataFrame]:
    """The `_read_` tables of traces, by name, as far as they are about these lines of these drops."""
    found = {}
    for family in TRACES.values():
        mine = drops.filter(pl.col("family") == family.name)["drop_no"]
        where = f"drop_no IN {listed(mine)} AND (drop_no, line) IN (FROM _lines)"
        name = read_table(family).name
        found[name] = warehouse.rows(name, where if len(mine) else "false", _lines=lines)
    return found


def open_codes(waiting: pl.DataFrame) -> dict[str, int]:
    """Code -> number of questions among held rows that have `question`, most first.

    A name that nobody has on a device is one question, however many lines it has: it is answered once.
    """
    one_name = pl.struct("seen", "device").n_unique()
    counts = waiting.group_by("code").agg(
        n=pl.when(pl.col("code").first() == "unknown_name")
        .then(one_name)
        .otherwise(pl.col("question").n_unique())
    )
    return dict(counts.sort("n", "code", descending=[True, False]).iter_rows())


def renew_sheets(
    facility: Facility, knowledge: Knowledge, waiting: pl.DataFrame, changed: Collection[str]
) -> list[str]:
    """Write the sheets of the files `changed` (16 digits) and those that are not there; names of those that
    are other than before. Sheets of files that wait no more go. `waiting`: see `held_with_context`."""
    files = waiting.select("file", "file_id", "path").unique("file")
    names = {file: sheet_name(path, file_id) for file, file_id, path in files.iter_rows()}
    missing = {file for file, name in names.items() if not (facility.held / name).exists()}
    due = pl.col("file").is_in(sorted({*changed, *missing}))
    sheets = sheets_of(facility, knowledge, waiting.filter(due))
    return write_sheets(facility.held, {**sheets, **names_sheet(waiting, knowledge)}, names.values())

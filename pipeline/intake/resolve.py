"""The resolver: from what was read and what was answered to what is true now.

One pure function. Identity, versions, superseding, release and corrections all come from here, so that an
alias, an answer, a correction, a retry and a rebuild are the same thing done again.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from functools import cache

import polars as pl

from pipeline.intake.fates import fate_runs, file_rows, line_fates
from pipeline.intake.held import (
    HELD_SCHEMA,
    answered_lines,
    held_table,
    left_out_lines,
    left_out_with,
    released_names,
    with_state,
)
from pipeline.intake.history import FamilyTables, family_tables
from pipeline.intake.knowledge import Knowledge
from pipeline.intake.moments import impossible_times, set_times
from pipeline.intake.people import identify
from pipeline.intake.placing import Keys, place
from pipeline.intake.traces import left_out_runs, samples_apart, with_questions
from pipeline.reading.times import iso_texts
from schemas.codes import CODES
from schemas.core import Family
from schemas.families import FAMILIES
from schemas.frames import empty, polars_schema
from schemas.internal import SLOTS, read_table
from schemas.tables import TABLES

FILE_DIGITS = 16
"""So many digits of a file's SHA-256 name it in all tables but `files`."""


@dataclass
class Resolved:
    """What is true now.

    `tables`: the trial tables, the sample sets, superseded_rows, line_fates, files, held_rows and
    _session_slots. `held`: the held rows with written names and candidates, for the sheets. `runs`: the fates
    of lines (see `fates.RUNS`). `expected`: drop_no, line, n — how many rows of the line must stand in the
    trial tables, the sample sets or among earlier versions (the law of rows). `wanted`: drops of which all
    rows must be known, and are not.
    """

    tables: dict[str, pl.DataFrame]
    held: pl.DataFrame
    runs: pl.DataFrame
    expected: pl.DataFrame
    wanted: frozenset[int] = frozenset()


@dataclass
class _Part:
    """What one family gives."""

    tables: FamilyTables
    fates: pl.DataFrame
    held: pl.DataFrame
    released: pl.DataFrame
    wanted: frozenset[int]


def resolve(
    drops: pl.DataFrame,
    reads: Mapping[str, pl.DataFrame],
    problems: pl.DataFrame,
    skipped: pl.DataFrame,
    knowledge: Knowledge,
    keys: Mapping[str, Keys] | None = None,
) -> Resolved:
    """Everything that follows from what was read and what was answered.

    `drops`, `problems`, `skipped` and `reads` (by name of the `_read_` table) are the warehouse's internal
    tables of `schemas.internal`. The result depends on nothing else: no clock, no order of runs.

    They may also be a part of what was read, such that no row left out has to do with one that is there (see
    `closure`): then the result is that part of the whole result. A file's rows may be in several parts; where
    a rule asks whether one file holds all keys of another, `keys` (by family, see `file_keys`) must know
    both, else they are asked for by `wanted`. None: nothing was left out.
    """
    drops = drops.sort("drop_no").with_columns(file=pl.col("file_id").str.slice(0, FILE_DIGITS))
    found = problems.join(drops.select("drop_no", "file"), on="drop_no")
    read_held = with_state(found, left_out_lines(knowledge), knowledge)
    broken = problems.filter(pl.col("line").is_not_null()).select("drop_no", "line").unique()
    parts = {
        family.table: _resolve_family(family, drops, reads, broken, knowledge, keys)
        for family in FAMILIES.values()
    }
    held = pl.concat([read_held, *(part.held for part in parts.values())])
    held = _answered_together(with_questions(held, drops, reads))
    row_fates = pl.concat([part.fates for part in parts.values()])
    runs = fate_runs(drops, row_fates, held, skipped)
    fates = line_fates(drops, runs)
    released = [answered_lines(drops, held, knowledge), *(part.released for part in parts.values())]
    shown = pl.concat([held, *released])
    tables = {table: part.tables.current for table, part in parts.items()}
    for family in FAMILIES.values():
        samples = parts[family.table].tables.samples
        if family.trace is not None and samples is not None:
            tables[family.trace.table] = samples
    tables["superseded_rows"] = pl.concat([part.tables.superseded for part in parts.values()])
    tables["_session_slots"] = (
        pl.concat([part.tables.slots for part in parts.values()]).unique().sort("session_id")
    )
    tables["line_fates"] = fates
    tables["files"] = file_rows(drops, fates)
    tables["held_rows"] = held_table(shown)
    versions = row_fates.filter(pl.col("fate").is_in(["loaded", "superseding"]) & ~pl.col("line_held"))
    # The rows of a line follow one another.
    runs_of_lines = versions.select(runs=pl.struct("drop_no", "line").rle())["runs"].struct
    expected = runs_of_lines.field("value").struct.unnest().with_columns(n=runs_of_lines.field("len"))
    wanted = frozenset[int]().union(*(part.wanted for part in parts.values()))
    return Resolved(tables, shown, runs, expected, wanted)


def _answered_together(held: pl.DataFrame) -> pl.DataFrame:
    """Held rows in which what was left out on one line of a question is left out on all its lines."""
    answered = (pl.col("state") == "answered").any().over("question")
    state = pl.when(answered).then(pl.lit("answered")).otherwise("state")
    return held.with_columns(state=state).drop("question")


def _resolve_family(
    family: Family,
    drops: pl.DataFrame,
    reads: Mapping[str, pl.DataFrame],
    broken: pl.DataFrame,
    knowledge: Knowledge,
    keys: Mapping[str, Keys] | None,
) -> _Part:
    """`broken`: drop_no, line of the lines that could not be read."""
    if reads[read_table(family).name].is_empty():
        return _no_rows(family)
    about = _about(drops, knowledge)
    rows, nameless, left_out = _keyed_rows(family, reads[read_table(family).name], about, knowledge)
    waiting = pl.concat([nameless, impossible_times(rows, knowledge)], how="diagonal_relaxed")
    apart: list[pl.DataFrame] = []
    if family.trace is not None:
        apart = [samples_apart(family.trace, rows, left_out)]
        held_alone = rows.join(apart[0].filter("line_held"), on="index", how="semi")
        broken = pl.concat([broken, held_alone.select("drop_no", "line")])
    rows = _blocked(rows, waiting, left_out)
    together = rows if not apart else rows.join(apart[0], on="index", how="anti", maintain_order="left")
    of_files = None if keys is None else keys[family.name]
    placed = pl.concat([_settle(family, together, knowledge, of_files), *apart])
    # Both in the order of `index`, and of all rows.
    rows = rows.hstack(placed.sort("index").drop("index"))
    fates = rows.select("drop_no", "line", "fate", "line_held")
    waiting = pl.concat([waiting, _group_holds(family, rows)], how="diagonal_relaxed")
    waiting = _asking(waiting, fates)
    held = with_state(waiting.join(about.select("drop_no", "file"), on="drop_no"), left_out, knowledge)
    told = [_asking(released_names(rows, knowledge), fates)]
    if family.trace is not None:
        said = left_out.join(left_out_lines(knowledge), on=["file", "line"], how="anti")
        told.append(_asking(left_out_with(rows.select("drop_no", "file", "line"), said, held), fates))
    wanted = frozenset[int]() if of_files is None else frozenset(of_files.wanted)
    return _Part(family_tables(family, rows, broken, knowledge), fates, held, pl.concat(told), wanted)


def _asking(told: pl.DataFrame, fates: pl.DataFrame) -> pl.DataFrame:
    """What is told of lines that ask: one that only repeats a line that waits is counted once, with that."""
    if told.is_empty():
        return told
    asking = fates.filter(pl.col("fate") != "repeated")
    return told.join(asking, on=["drop_no", "line"], how="semi", maintain_order="left")


def _about(drops: pl.DataFrame, knowledge: Knowledge) -> pl.DataFrame:
    """What rows take over from their drop."""
    return drops.select(
        "drop_no",
        "file",
        "device",
        "method_version",
        "timezone",
        "received_at",
        "written_at",
        "by_line",
        withdrawn=pl.col("file").is_in(list(knowledge.withdrawn)),
    )


def _keyed_rows(
    family: Family, read: pl.DataFrame, about: pl.DataFrame, knowledge: Knowledge
) -> tuple[pl.DataFrame, pl.DataFrame, pl.DataFrame]:
    """Rows with when, who and their keys; the held rows of names that are not settled; the lines that
    somebody left out (see `left_out_lines`)."""
    rows = read.join(about, on="drop_no", how="left", maintain_order="left")
    rows = _in_order(rows).with_row_index("index")
    rows, nameless = identify(set_times(rows, knowledge), knowledge)
    rows, left_out = _keyed(family, rows), left_out_lines(knowledge)
    if family.trace is not None:
        left_out = left_out_runs(rows, left_out)
    return rows, nameless, left_out


def _in_order(rows: pl.DataFrame) -> pl.DataFrame:
    """Rows in the order of their files, as they mostly are already, in one piece (polars 2.1 can't write
    numbers in several pieces as texts)."""
    rows = rows.rechunk()
    places = rows.select(pl.arg_sort_by("drop_no", "line", "seq")).to_series()
    return rows if places.is_sorted() else rows[places]


@cache
def _no_rows(family: Family) -> _Part:
    """What a family gives of which nothing was read."""
    fates = pl.DataFrame(
        schema={"drop_no": pl.Int32, "line": pl.Int32, "fate": pl.String, "line_held": pl.Boolean}
    )
    held = pl.DataFrame(schema=HELD_SCHEMA)
    current, superseded = empty(TABLES[family.table]), empty(TABLES["superseded_rows"])
    slots = pl.DataFrame(schema=polars_schema(SLOTS))
    samples = None if family.trace is None else empty(TABLES[family.trace.table])
    return _Part(FamilyTables(current, superseded, slots, samples), fates, held, held, frozenset())


def file_keys(family: Family, drops: pl.DataFrame, read: pl.DataFrame, knowledge: Knowledge) -> Keys:
    """The keys of `drops`, of which `read` are all rows."""
    rows, _, left_out = _keyed_rows(family, read, _about(drops, knowledge), knowledge)
    if family.trace is not None:
        rows = rows.join(samples_apart(family.trace, rows, left_out), on="index", how="anti")
    return Keys(rows.select("claim", "drop_no", "group").unique("claim"), set(drops["drop_no"]))


def _blocked(rows: pl.DataFrame, waiting: pl.DataFrame, left_out: pl.DataFrame) -> pl.DataFrame:
    """Mark rows of lines that wait (`blocked`), and of lines that a person left out (`dropped` too)."""
    lines = waiting.select("drop_no", "line").unique().with_columns(waits=pl.lit(True))
    waits = _marked(rows, lines, ["drop_no", "line"])
    dropped = _marked(rows, left_out.drop("of_row"), ["file", "line"]) | rows["name_dropped"]
    return rows.with_columns(dropped.alias("dropped"), (waits | dropped).alias("blocked"))


def _marked(rows: pl.DataFrame, marks: pl.DataFrame, at: list[str]) -> pl.Series:
    """Whether `marks` (the columns `at` and one of truth values) say so of each row."""
    if marks.is_empty():
        return pl.repeat(False, rows.height, eager=True)
    found = rows.select(at).join(marks, on=at, how="left", maintain_order="left")
    return found.drop(at).to_series().fill_null(False)


def _key_text(family: Family, names: list[str]) -> pl.Expr:
    """Key columns as one text; lengths as whole millimetres, so that 10 yd is 9.144 m."""
    parts = []
    for name in names:
        column = pl.col(name)
        if family.field(name).type == "real":
            column = (column * 1000).round().cast(pl.Int64)
        parts.append(column.cast(pl.String).fill_null(""))
    return pl.concat_str(parts, separator="|") if parts else pl.lit("")


def _keyed(family: Family, rows: pl.DataFrame) -> pl.DataFrame:
    """Add `base` and `trial_base` (keys of the row and of its trial, without the number), `counted` (the
    number is the order of appearance), `place`, `again`, `group` and `claim` (see `placing.place`)."""
    moment = with_time = pl.lit(iso_texts(rows["utc"]))
    if not rows["time_known"].all():
        day = pl.col("local_date").dt.strftime("%Y-%m-%d")
        moment = pl.when("time_known").then(with_time).otherwise(day)
    head = [pl.col("device"), pl.col("who"), moment]
    row_key = [name for name in family.natural_key if name != family.numbered]
    trial_key = [name for name in family.trial_key if name != family.numbered]
    rows = rows.with_columns(base=pl.concat_str(*head, _key_text(family, row_key), separator="|"))
    trial_base = pl.concat_str(*head, _key_text(family, trial_key), separator="|")
    rows = rows.with_columns(
        trial_base=pl.col("base") if family.row_is_trial else trial_base,
        place=_key_text(family, [name for name in row_key if name not in trial_key]),
        counted=pl.col(family.numbered).is_null(),
    )
    # One line can hold the same key twice (two columns of readings): those are two trials.
    same_line = pl.all_horizontal(pl.col(name) == pl.col(name).shift(1) for name in ("drop_no", "line"))
    one_a_line = not rows.select(same_line.any()).item()
    rows = rows.with_columns(
        again=pl.lit(0) if one_a_line else pl.int_range(pl.len()).over("drop_no", "line", "base")
    )
    whole_line = pl.col("counted") & pl.col("by_line")
    number = pl.col(family.numbered).cast(pl.String)
    group = (
        pl.when(whole_line)
        .then(pl.concat_str(pl.lit("line|"), "trial_base"))
        .when("counted")
        .then(pl.concat_str(pl.lit("count|"), "base"))
        .otherwise(pl.concat_str("base", number, separator="|#"))
    )
    # What a withdrawn file says stands for itself, beside what the others say.
    if rows["withdrawn"].any():
        group = pl.concat_str(
            group, pl.when("withdrawn").then(pl.format("|{}", "drop_no")).otherwise(pl.lit(""))
        )
    rows = rows.with_columns(group=group)
    # A claim is named by the first of its rows.
    claim = pl.col("index")
    if family.trace is not None:
        claim = claim.min().over("drop_no", "group")
    elif rows.select(whole_line.any()).item():
        of_line = claim.min().over("drop_no", "line", "trial_base", "again")
        claim = pl.when(whole_line).then(of_line).otherwise(claim)
    return rows.with_columns(claim=claim)


def _settle(family: Family, rows: pl.DataFrame, knowledge: Knowledge, keys: Keys | None) -> pl.DataFrame:
    """Fates of all rows, with `line_held`.

    A line is held whole: where one of its rows is held, the others are settled again as blocked, until
    nothing changes (each round blocks more rows, so it ends).
    """
    answers = knowledge.by_line()
    lines = ["drop_no", "line"]
    while True:
        placed = place(family, rows, answers, keys)
        known = rows.select("index", *lines, "blocked").join(placed, on="index", maintain_order="left")
        held = known.filter(pl.col("fate") == "held")
        siblings = known.filter(~pl.col("blocked") & (pl.col("fate") != "held")).join(
            held.select(lines).unique(), on=lines, how="semi"
        )
        if siblings.is_empty():
            break
        rows = rows.with_columns(pl.col("blocked") | pl.col("index").is_in(siblings["index"].implode()))
    marked = held.select(lines).unique().with_columns(line_held=pl.lit(True))
    return (
        known.join(marked, on=lines, how="left", maintain_order="left")
        .with_columns(pl.col("line_held").fill_null(False))
        .select("index", "fate", "code", "number", "cause", "line_held")
    )


def _group_holds(family: Family, rows: pl.DataFrame) -> pl.DataFrame:
    """Held rows for what the comparison with other rows found."""
    found = rows.filter(pl.col("code").is_not_null())
    # The field's own value alone; beside it, what else the row says, by name.
    first, *others = family.values
    said = [pl.format("{}", pl.col(first).round(4))]
    said += [pl.format("{} {}", pl.lit(name), pl.col(name).round(4)) for name in others]
    sentences = {code.code: code.sentence for code in CODES.values()}
    return found.select(
        "drop_no",
        "line",
        "code",
        field=pl.lit(first),
        seen=pl.concat_str(said, separator="; ", ignore_nulls=True),
        reason=pl.col("code").replace_strict(sentences, return_dtype=pl.String),
    ).unique(["drop_no", "line", "code"], maintain_order=True, keep="first")

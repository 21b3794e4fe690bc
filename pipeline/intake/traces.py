"""Traces: many lines that are one run, gathered into its row and its set of samples.

Pure. A line of a trace is a sample. What the lines of a run have in common (whose it is, when, against what)
is written once or on each of them, and is asked about, answered, held and left out once for all of them.
"""

from __future__ import annotations

from collections.abc import Mapping

import polars as pl

from pipeline.ids import text_ids
from schemas.core import Family, Trace
from schemas.families import FAMILIES
from schemas.internal import read_table
from schemas.tables import TABLES

GAP = 1.5
"""A step of time longer than this many median steps is a gap in the trace."""

TRACES: dict[str, Family] = {name: family for name, family in FAMILIES.items() if family.trace is not None}


def answers_for_runs(
    texts: pl.DataFrame, overrides: Mapping[tuple[int, str], str]
) -> dict[tuple[int, str], str]:
    """Answers of single cells, with what was answered about a run on one of its lines given to all of them.

    `texts`: line and what each line says of its run, a column a target: neighbouring lines with the same
    texts are one run as written. Answers about other fields, and a line's own answer, stay as they are.
    """
    targets = [name for name in texts.columns if name != "line"]
    mine = [(line, target, text) for (line, target), text in overrides.items() if target in targets]
    begins = pl.any_horizontal(pl.col(name).ne_missing(pl.col(name).shift(1)) for name in targets)
    runs = texts.select("line", run=begins.cum_sum())
    answered = pl.DataFrame(
        mine, schema={"line": pl.Int32, "target": pl.String, "text": pl.String}, orient="row"
    )
    said = answered.join(runs, on="line").sort("line").unique(["run", "target"], keep="first")
    spread = said.drop("line").join(runs, on="run").select("line", "target", "text")
    return {(line, target): text for line, target, text in spread.iter_rows()} | dict(overrides)


def with_questions(
    held: pl.DataFrame, drops: pl.DataFrame, reads: Mapping[str, pl.DataFrame]
) -> pl.DataFrame:
    """Held rows with `question`: equal for rows that are one question, that of their first line.

    Each row is one, but those that hold a run of a trace for the same reason on each of its lines. `held`:
    drop_no, line, code, field, seen; `drops`: drop_no, family; `reads`: the `_read_` tables by name.
    """
    numbered = held.with_row_index("question")
    of_traces = drops.filter(pl.col("family").is_in(list(TRACES)))
    parts = [numbered.join(of_traces, on="drop_no", how="anti", maintain_order="left")]
    for family in TRACES.values():
        of_family = of_traces.filter(pl.col("family") == family.name)
        mine = numbered.join(of_family, on="drop_no", how="semi", maintain_order="left")
        parts.append(_one_a_run(family, mine, reads[read_table(family).name]))
    return pl.concat(parts)


def _one_a_run(family: Family, held: pl.DataFrame, read: pl.DataFrame) -> pl.DataFrame:
    """Held rows of a family of traces, `question` being that of the first line of the run."""
    samples = list(family.trace.columns) if family.trace else []

    def said(*names: str) -> pl.Expr:
        return pl.concat_str(
            [pl.col(name).cast(pl.String).fill_null("\x00") for name in names], separator="\x1f"
        )

    lines = ["drop_no", "line"]
    runs = read.select(*lines, run=said("written_name", "local", *family.natural_key)).unique(lines)
    known = held.join(runs, on=lines, how="left", maintain_order="left").sort(
        "drop_no", "code", "field", "line"
    )
    # A line that was not read belongs to a run by what it says of it; a sample's own fault stands alone.
    alone = pl.col("run").is_null() & (pl.col("field").is_null() | pl.col("field").is_in(samples))
    seen = pl.when(pl.col("run").is_null()).then("seen")
    about = known.with_columns(seen_of_run=seen).select(
        "drop_no", about=said("drop_no", "code", "field", "seen_of_run", "run")
    )["about"]
    begins = known.select(begins=alone | pl.lit(about).ne_missing(pl.lit(about.shift(1))))["begins"]
    return known.with_columns(pl.col("question").first().over(begins.cum_sum())).select(held.columns)


def left_out_runs(rows: pl.DataFrame, left_out: pl.DataFrame) -> pl.DataFrame:
    """The lines that somebody left out; where that was said of a run on one of its lines, all of them.

    `rows` has claim, file, line. `left_out` (see `held.left_out_lines`) and the result: file, line, left_out,
    of_row.
    """
    of_rows = left_out.filter(pl.col("of_row").is_not_null())
    said = rows.join(of_rows, on=["file", "line"]).select("claim", "of_row").unique("claim")
    lines = rows.join(said, on="claim").select("file", "line", pl.lit(True).alias("left_out"), "of_row")
    return pl.concat([lines, left_out]).unique(["file", "line"], keep="first", maintain_order=True)


def samples_apart(trace: Trace, rows: pl.DataFrame, left_out: pl.DataFrame) -> pl.DataFrame:
    """Samples that are settled by themselves: a line written twice, and one that somebody left out.

    Gives index, fate, code, number, cause, line_held, as rows that were settled with others have them.
    """
    of_sample = left_out.filter(pl.col("of_row").is_null()).select("file", "line", alone=pl.lit(True))
    seen = pl.struct("drop_no", "group", "line_hash", *trace.columns).is_first_distinct()
    marked = rows.join(of_sample, on=["file", "line"], how="left", maintain_order="left").with_columns(
        copy=pl.col("seconds_known") & ~seen, alone=pl.col("alone").fill_null(False)
    )
    return marked.filter(pl.col("copy") | pl.col("alone")).select(
        "index",
        fate=pl.when("alone").then(pl.lit("held")).otherwise(pl.lit("repeated")),
        code=pl.lit(None, dtype=pl.String),
        number=pl.lit(None, dtype=pl.Int32),
        cause=pl.lit(None, dtype=pl.String),
        line_held="alone",
    )


def runs_of(trace: Trace, rows: pl.DataFrame, broken: pl.DataFrame) -> pl.DataFrame:
    """One row a claim out of its samples: the first line's, with n_samples, sample_rate_hz and `gap`.

    `rows` has `claim`, the trace's columns (time_s [s] among them) and all that a trial row has. `broken`:
    drop_no, line of lines that are held by themselves. A gap is a step of time longer than GAP median steps,
    or a broken line within the run's lines or next to them: at an end of the trace no step tells.
    """
    step = pl.col("time_s").sort().diff().drop_nulls()
    counted = rows.group_by("claim").agg(
        pl.col("drop_no").first(),
        before=pl.col("line").min() - 1,
        after=pl.col("line").max() + 1,
        n_samples=pl.len().cast(pl.Int32),
        usual=step.median(),
        longest=step.max(),
    )
    near = counted.sort("before").join_asof(
        broken.select("drop_no", broken_line="line").sort("broken_line"),
        left_on="before",
        right_on="broken_line",
        by="drop_no",
        strategy="forward",
        check_sortedness=False,
    )
    jumps = (pl.col("longest") > GAP * pl.col("usual")).fill_null(False)
    facts = near.select(
        "claim",
        "n_samples",
        sample_rate_hz=pl.when(pl.col("usual") > 0).then(1 / pl.col("usual")),
        gap=jumps | (pl.col("broken_line") <= pl.col("after")).fill_null(False),
    )
    firsts = rows.sort("drop_no", "line").unique("claim", keep="first", maintain_order=True)
    return firsts.drop(trace.columns).join(facts, on="claim", maintain_order="left")


def with_sample_sets(runs: pl.DataFrame) -> pl.DataFrame:
    """Runs with `sample_set_id`, the id of the samples of this version of the run."""
    key = runs.select(key=pl.format("{}|{}", "row_id", "version"))["key"]
    return runs.with_columns(sample_set_id=text_ids(key))


def samples_of(trace: Trace, rows: pl.DataFrame, runs: pl.DataFrame) -> pl.DataFrame:
    """The samples of all versions of all runs: sample_set_id, the trace's columns, file_id, line."""
    sets = runs.select("claim", "sample_set_id")
    found = rows.select("claim", *trace.columns, file_id="file", line="line").join(sets, on="claim")
    filled = [pl.lit(None, dtype=pl.String).alias(name) for name in trace.filled]
    made = found.select("sample_set_id", *trace.columns, *filled, "file_id", "line")
    return made.sort(TABLES[trace.table].key)

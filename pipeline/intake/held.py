"""Held rows: what waits, what was answered, what was released."""

from __future__ import annotations

import polars as pl

from pipeline.intake.answers import LINE_WORDS, WHOLE_FILE
from pipeline.intake.identity import DROPPED, normalise
from pipeline.intake.knowledge import Knowledge
from schemas.codes import CODES
from schemas.frames import polars_schema
from schemas.tables import TABLES

HELD_SCHEMA = {
    "drop_no": pl.Int32,
    "file": pl.String,
    "line": pl.Int32,
    "code": pl.String,
    "field": pl.String,
    "seen": pl.String,
    "reason": pl.String,
    "candidates": pl.String,
    "state": pl.String,
}
HELD = list(HELD_SCHEMA)


NAME_CODES = frozenset({"unknown_name", "ambiguous_name", "guest", "forgotten"})

# Codes that are found of rows that were read; the others are found in lines and cells while reading.
_OF_ROWS = frozenset(
    {
        *NAME_CODES,
        *("in_future", "before_device"),
        *("key_conflict", "changed_at_source", "possible_reexport"),
    }
)


def left_out_lines(knowledge: Knowledge) -> pl.DataFrame:
    """Lines of which somebody said `drop`: file, line, left_out (true), of_row (the code, where it was said
    of what was read there and not of how it is written)."""
    dropped = [
        (*key, True, next((code for code in codes if code in _OF_ROWS), None))
        for key, words in knowledge.by_line().items()
        if (codes := sorted(code for code, word in words.items() if word == DROPPED))
    ]
    schema = {"file": pl.String, "line": pl.Int32, "left_out": pl.Boolean, "of_row": pl.String}
    return pl.DataFrame(dropped, schema=schema, orient="row")


def with_state(held: pl.DataFrame, left_out: pl.DataFrame, knowledge: Knowledge) -> pl.DataFrame:
    """Held rows with their state: answered where the line (see `left_out_lines`), its file or the name was
    left out, else open."""
    for name, dtype in HELD_SCHEMA.items():
        if name not in held.columns:
            held = held.with_columns(pl.lit(None, dtype=dtype).alias(name))
    name_dropped = (
        pl.col("name_dropped").fill_null(False) if "name_dropped" in held.columns else pl.lit(False)
    )
    return (
        held.join(left_out.drop("of_row"), on=["file", "line"], how="left", maintain_order="left")
        .with_columns(
            state=pl.when(
                pl.col("left_out").fill_null(False)
                | pl.col("file").is_in(list(knowledge.withdrawn))
                | name_dropped
            )
            .then(pl.lit("answered"))
            .otherwise(pl.lit("open"))
        )
        .select(pl.col(name).cast(dtype) for name, dtype in HELD_SCHEMA.items())
    )


def answered_lines(drops: pl.DataFrame, held: pl.DataFrame, knowledge: Knowledge) -> pl.DataFrame:
    """Held rows of lines that wait no more because somebody answered: let go (released), or left out
    (answered)."""
    # Of the drops of one content, the one that stands for it.
    files = dict(drops.filter(pl.col("state") != "repeated").select("file", "drop_no").iter_rows())
    waiting = set(held.select("file", "line", "code", pl.col("field").fill_null("")).iter_rows())
    rows = [
        (
            files[s.file_id],
            s.file_id,
            s.line,
            s.code,
            s.field or None,
            "answered" if answer.answer == DROPPED else "released",
        )
        for s, answer in knowledge.line_answers.items()
        if s.file_id in files
        and s.line != WHOLE_FILE
        and (s.file_id, s.line, s.code, s.field) not in waiting
        and (answer.answer in LINE_WORDS or s.field)
    ]
    columns = ["drop_no", "file", "line", "code", "field", "state"]
    frame = pl.DataFrame(rows, schema={c: HELD_SCHEMA[c] for c in columns}, orient="row")
    sentences = {code.code: code.sentence for code in CODES.values()}
    return frame.with_columns(
        reason=pl.col("code").replace_strict(sentences, default="It was answered.", return_dtype=pl.String),
        seen=pl.lit(None, dtype=pl.String),
        candidates=pl.lit(None, dtype=pl.String),
    ).select(HELD)


def left_out_with(rows: pl.DataFrame, left_out: pl.DataFrame, held: pl.DataFrame) -> pl.DataFrame:
    """Held rows, answered, of lines that were left out with a line of which that was said, and that nothing
    else holds. `rows`: drop_no, file, line of held lines; `left_out`: see `left_out_lines`."""
    sentences = {code.code: code.sentence for code in CODES.values()}
    found = (
        rows.unique(maintain_order=True)
        .join(left_out, on=["file", "line"])
        .filter(pl.col("of_row").is_not_null())
    )
    silent = found.join(held, on=["drop_no", "line"], how="anti", maintain_order="left")
    return silent.select(
        "drop_no",
        "file",
        "line",
        code="of_row",
        field=pl.lit(None, dtype=pl.String),
        seen=pl.lit(None, dtype=pl.String),
        reason=pl.col("of_row").replace_strict(sentences, return_dtype=pl.String),
        candidates=pl.lit(None, dtype=pl.String),
        state=pl.lit("answered"),
    ).select(HELD)


def released_names(rows: pl.DataFrame, knowledge: Knowledge) -> pl.DataFrame:
    """Lines that waited for a name which was answered after their file came."""
    if not knowledge.given_names:
        return pl.DataFrame(schema=HELD_SCHEMA)
    keys = {name: normalise(name) for name in rows["written_name"].unique()}
    given = pl.col("key").replace_strict(knowledge.given_names, default=None, return_dtype=pl.Datetime("us"))
    return (
        rows.with_columns(key=pl.col("written_name").replace_strict(keys, default="", return_dtype=pl.String))
        .filter(pl.col("athlete_id").is_not_null() & (given > pl.col("received_at")))
        .select(
            "drop_no",
            "file",
            "line",
            code=pl.lit("unknown_name"),
            field=pl.lit("athlete"),
            seen="written_name",
            reason=pl.lit("Somebody said who this is."),
            candidates=pl.lit(None, dtype=pl.String),
            state=pl.lit("released"),
        )
        .unique(maintain_order=True)
        .select(HELD)
    )


def held_table(shown: pl.DataFrame) -> pl.DataFrame:
    """The table `held_rows`; written names are left out, they are in the sheets only."""
    remedies = {code.code: code.remedy for code in CODES.values()}
    sentences = {code.code: code.sentence for code in CODES.values()}
    names_it = (pl.col("field") == "athlete") & pl.col("candidates").is_null()
    table = TABLES["held_rows"]
    return (
        shown.with_columns(
            file_id="file",
            reason=pl.when(names_it).then(pl.col("code").replace_strict(sentences)).otherwise("reason"),
            value=pl.when(pl.col("field") != "athlete").then("seen").otherwise(None),
            remedy=pl.col("code").replace_strict(remedies, return_dtype=pl.String),
        )
        .select(pl.col(c).cast(t) for c, t in polars_schema(table).items())
        .unique(maintain_order=True)
        # Of a line that was let go and left out, it is told that it was left out.
        .sort(*table.key, "state", nulls_last=False, maintain_order=True)
        .filter((pl.col("state") != "released") | pl.struct(table.key).is_first_distinct())
    )

"""Who: written names to athletes, and the rows that wait for a name."""

from __future__ import annotations

import polars as pl

from pipeline.intake.held import NAME_CODES
from pipeline.intake.identity import DROPPED, Who, normalise
from pipeline.intake.knowledge import Knowledge
from schemas.codes import CODES


def identify(rows: pl.DataFrame, knowledge: Knowledge) -> tuple[pl.DataFrame, pl.DataFrame]:
    """Add athlete_id (NULL: not known), `who` (equal for equal people or, unknown, equal spellings) and
    name_dropped; and the held rows of names that are not settled."""
    names = rows["written_name"].unique(maintain_order=True)
    # On which device and day a name is written matters for few names, mostly for none.
    anywhere = not any(knowledge.names.is_narrow(name) for name in names)
    at = ["written_name"] if anywhere else ["written_name", "device", "local_date"]
    asked = rows.select("written_name", "device", "local_date")
    asked = asked.unique(at, keep="first", maintain_order=True)
    found: list[Who] = [knowledge.names.who(*place) for place in asked.iter_rows()]
    nearest = {
        name: knowledge.names.nearest(name)
        for name, who in zip(asked["written_name"], found, strict=True)
        if who.code == "unknown_name" and who.athlete_id is None
    }
    near = [
        who.candidates or nearest.get(name, ())
        for name, who in zip(asked["written_name"], found, strict=True)
    ]
    answers = asked.select(at).with_columns(
        pl.Series("candidates", [";".join(ids) for ids in near], dtype=pl.String),
        athlete_id=pl.Series(
            [None if w.athlete_id == DROPPED else w.athlete_id for w in found], dtype=pl.String
        ),
        who=pl.Series(
            [
                f"?{normalise(name)}" if w.athlete_id in (None, DROPPED) else w.athlete_id
                for name, w in zip(asked["written_name"], found, strict=True)
            ],
            dtype=pl.String,
        ),
        name_dropped=pl.Series([w.athlete_id == DROPPED for w in found], dtype=pl.Boolean),
        name_code=pl.Series(
            [w.code or ("unknown_name" if w.athlete_id == DROPPED else None) for w in found],
            dtype=pl.String,
        ),
    )
    # Of the names alone: a join makes all columns anew.
    known = rows.hstack(rows.select(at).join(answers, on=at, how="left", maintain_order="left").drop(at))
    held = (
        known.filter(pl.col("name_code").is_not_null())
        .select("drop_no", "line", "candidates", "name_dropped", code="name_code", seen="written_name")
        .unique(maintain_order=True)
        .with_columns(field=pl.lit("athlete"))
        .with_columns(reason=_name_reason())
    )
    return known, held


def _name_reason() -> pl.Expr:
    sentences = {code: CODES[code].sentence for code in NAME_CODES}
    start = pl.col("code").replace_strict(sentences, return_dtype=pl.String)
    word = pl.when(pl.col("code") == "ambiguous_name").then(pl.lit("It may be")).otherwise(pl.lit("Nearest"))
    listed = pl.col("candidates").str.replace_all(";", ", ", literal=True)
    near = pl.when(pl.col("candidates") != "").then(pl.format(" {}: {}.", word, listed)).otherwise(pl.lit(""))
    return pl.concat_str(start, near)

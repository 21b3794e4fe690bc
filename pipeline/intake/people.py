"""Who: written names to athletes, and the rows that wait for a name."""

from __future__ import annotations

import polars as pl

from pipeline.intake.identity import DROPPED, Who, normalise
from pipeline.intake.knowledge import Knowledge
from schemas.codes import CODES


def identify(rows: pl.DataFrame, knowledge: Knowledge) -> tuple[pl.DataFrame, pl.DataFrame]:
    """Add athlete_id (NULL: not known), `who` (equal for equal people or, unknown, equal spellings) and
    name_dropped; and the held rows of names that are not settled."""
    asked = rows.select("written_name", "device", "local_date").unique(maintain_order=True)
    found: list[Who] = [knowledge.names.who(name, device, day) for name, device, day in asked.iter_rows()]
    nearest: dict[str, str] = {}
    for (name, _, _), who in zip(asked.iter_rows(), found, strict=True):
        if who.code and name not in nearest:
            near = who.candidates or tuple(knowledge.names.nearest(name))
            nearest[name] = ";".join(near)
    answers = asked.with_columns(
        athlete_id=pl.Series([w.athlete_id for w in found], dtype=pl.String),
        name_code=pl.Series(
            ["unknown_name" if w.athlete_id == DROPPED else w.code for w in found], dtype=pl.String
        ),
    )
    keys = {name: normalise(name) for name in asked["written_name"].unique()}
    known = rows.join(answers, on=["written_name", "device", "local_date"], how="left", maintain_order="left")
    spelled = pl.col("written_name").replace_strict(keys, default="", return_dtype=pl.String)
    known = known.with_columns(
        name_dropped=(pl.col("athlete_id") == DROPPED).fill_null(False),
        athlete_id=pl.when(pl.col("athlete_id") != DROPPED).then("athlete_id"),
    ).with_columns(who=pl.coalesce("athlete_id", pl.concat_str(pl.lit("?"), spelled)))
    proposed = pl.col("seen").replace_strict(nearest, default="", return_dtype=pl.String)
    held = (
        known.filter(pl.col("name_code").is_not_null())
        .select("drop_no", "line", code="name_code", seen="written_name", name_dropped="name_dropped")
        .unique(maintain_order=True)
        .with_columns(field=pl.lit("athlete"), candidates=proposed)
        .with_columns(reason=_name_reason())
    )
    return known, held


def _name_reason() -> pl.Expr:
    sentences = {code: CODES[code].sentence for code in ("unknown_name", "ambiguous_name", "guest")}
    start = pl.col("code").replace_strict(sentences, return_dtype=pl.String)
    word = pl.when(pl.col("code") == "ambiguous_name").then(pl.lit("It may be")).otherwise(pl.lit("Nearest"))
    listed = pl.col("candidates").str.replace_all(";", ", ", literal=True)
    near = pl.when(pl.col("candidates") != "").then(pl.format(" {}: {}.", word, listed)).otherwise(pl.lit(""))
    return pl.concat_str(start, near)

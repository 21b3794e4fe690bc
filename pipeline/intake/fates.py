"""What became of each line, and the counts of each file that follow from it."""

from __future__ import annotations

import polars as pl

from schemas.families import FAMILIES
from schemas.frames import polars_schema
from schemas.tables import TABLES

# A line whose rows part company counts once, by the first of these that any of its rows has.
RANK = {"held": 0, "superseding": 1, "loaded": 2, "repeated": 3, "skipped": 4}

RUNS = {"drop_no": pl.Int32, "first_line": pl.Int32, "last_line": pl.Int32, "fate": pl.String}
"""Runs of neighbouring lines of one drop with one fate."""


def fate_runs(
    drops: pl.DataFrame, row_fates: pl.DataFrame, held: pl.DataFrame, skipped: pl.DataFrame
) -> pl.DataFrame:
    """The fates of lines as `RUNS`: of all lines that have rows, wait or are skipped, and of whole drops.

    `row_fates`: drop_no, line, fate, line_held of rows. `held`: held rows (line NULL: the whole file).
    Drops whose state is `repeated` carry a content that an earlier drop stands for.
    """
    ranks = pl.DataFrame(
        {"fate": list(RANK), "rank": list(RANK.values())}, schema_overrides={"rank": pl.Int8}
    )
    said = row_fates.select(
        "drop_no", "line", fate=pl.when("line_held").then(pl.lit("held")).otherwise("fate")
    )
    waits = held.filter(pl.col("line").is_not_null()).select("drop_no", "line", fate=pl.lit("held"))
    empty = skipped.select("drop_no", "line", fate=pl.lit("skipped"))
    other_line = pl.any_horizontal(pl.col("drop_no", "line") != pl.col("drop_no", "line").shift(1))
    by_line = (
        pl.concat([said, waits, empty])
        .join(ranks, on="fate", maintain_order="left")
        .sort("drop_no", "line", "rank")
        .filter(other_line.fill_null(True))
    )
    words = pl.col("rank").replace_strict(list(RANK.values()), list(RANK), return_dtype=pl.String)
    points = by_line.select("drop_no", first_line="line", last_line="line", fate=words)
    by_state = drops.filter(pl.col("n_lines") > 0).select(
        "drop_no",
        "first_line",
        last_line=pl.col("first_line") + pl.col("n_lines") - 1,
        fate=pl.col("state").replace_strict(
            {"repeated": "repeated", "held": "held", "rejected": "held"}, default=None, return_dtype=pl.String
        ),
    )
    return spliced(by_state.drop_nulls("fate"), points)


def spliced(old: pl.DataFrame, new: pl.DataFrame) -> pl.DataFrame:
    """Runs (see `RUNS`) in which `new` takes the place of `old` line by line; neighbours of one fate joined.

    Neither has two runs about the same line.
    """
    old, new = (runs.select(pl.col(c).cast(t) for c, t in RUNS.items()) for runs in (old, new))
    if old.join(new, on="drop_no", how="semi").height:
        old = _outside(old, new)
    runs = pl.concat([old, new]).sort("drop_no", "first_line")
    begins = (
        (pl.col("drop_no") != pl.col("drop_no").shift(1))
        | (pl.col("fate") != pl.col("fate").shift(1))
        | (pl.col("first_line") != pl.col("last_line").shift(1) + 1)
    ).fill_null(True)
    return (
        runs.with_columns(run=begins.cum_sum())
        .group_by("run", maintain_order=True)
        .agg(
            pl.col("drop_no").first(),
            pl.col("first_line").first(),
            pl.col("last_line").last(),
            pl.col("fate").first(),
        )
        .drop("run")
    )


def _outside(old: pl.DataFrame, new: pl.DataFrame) -> pl.DataFrame:
    """What is left of `old` runs where `new` ones are cut out."""
    bounds = pl.concat(
        [
            runs.select("drop_no", first_line=bound)
            for runs in (old, new)
            for bound in (pl.col("first_line"), pl.col("last_line") + 1)
        ]
    )
    pieces = bounds.unique().sort("drop_no", "first_line")
    pieces = pieces.with_columns(last_line=pl.col("first_line").shift(-1).over("drop_no") - 1).drop_nulls()

    def covering(runs: pl.DataFrame, name: str) -> pl.DataFrame:
        ends = runs.select("drop_no", "first_line", "fate", end="last_line").sort("first_line")
        found = (
            pieces.sort("first_line")
            .join_asof(ends, on="first_line", by="drop_no", check_sortedness=False)
            .filter(pl.col("end") >= pl.col("last_line"))
        )
        return found.select("drop_no", "first_line", "last_line", pl.col("fate").alias(name))

    kept = covering(old, "fate").join(covering(new, "taken"), on=["drop_no", "first_line"], how="anti")
    return kept.select(list(RUNS))


def line_fates(drops: pl.DataFrame, runs: pl.DataFrame) -> pl.DataFrame:
    """The table `line_fates` from `RUNS`."""
    named = runs.join(drops.select("drop_no", "drop_id"), on="drop_no", how="left", maintain_order="left")
    return named.select(pl.col(c).cast(t) for c, t in polars_schema(TABLES["line_fates"]).items())


def file_rows(drops: pl.DataFrame, fates: pl.DataFrame) -> pl.DataFrame:
    """The table `files`, its counts made from `line_fates`; names of files are replaced by their hash."""
    size = pl.col("last_line") - pl.col("first_line") + 1
    kinds = ("loaded", "held", "repeated", "superseding", "skipped")
    counts = fates.group_by("drop_id").agg(
        size.filter(pl.col("fate") == kind).sum().alias(kind) for kind in kinds
    )
    joined = drops.join(counts, on="drop_id", how="left", maintain_order="left").with_columns(
        pl.col(kind).fill_null(0) for kind in kinds
    )
    taken = pl.col("loaded") + pl.col("superseding") + pl.col("repeated")
    status = (
        pl.when(pl.col("state") == "rejected")
        .then(pl.lit("rejected"))
        .when((pl.col("state") == "held") | ((pl.col("held") > 0) & (taken == 0)))
        .then(pl.lit("held"))
        .when(pl.col("held") > 0)
        .then(pl.lit("partly_held"))
        .when((pl.col("state") == "repeated") | ((pl.col("repeated") > 0) & (taken == pl.col("repeated"))))
        .then(pl.lit("repeated"))
        .otherwise(pl.lit("loaded"))
    )
    of_device = {family.name: family.of_device for family in FAMILIES.values()}
    folder = pl.col("path").str.replace(r"[^/]*$", "")
    return joined.with_columns(
        status=status,
        path=pl.concat_str(folder, pl.col("file_id").str.slice(0, 16)),
        lines=pl.col("n_lines"),
        family=pl.col("family").replace(of_device),
    ).select(pl.col(c).cast(t) for c, t in polars_schema(TABLES["files"]).items())

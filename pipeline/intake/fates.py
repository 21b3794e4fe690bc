"""What became of each line, and the counts of each file that follow from it."""

from __future__ import annotations

import polars as pl

from schemas.families import FAMILIES
from schemas.models import polars_schema
from schemas.tables import TABLES

# A line whose rows part company counts once, by the first of these that any of its rows has.
RANK = {"held": 0, "superseding": 1, "loaded": 2, "repeated": 3, "skipped": 4}


def every_line(
    drops: pl.DataFrame, row_fates: pl.DataFrame, held: pl.DataFrame, skipped: pl.DataFrame
) -> pl.DataFrame:
    """drop_no, line, fate of every line after the header row of every drop.

    `row_fates`: drop_no, line, fate, line_held of rows. `held`: held rows (line NULL: the whole file).
    Drops whose state is `repeated` carry a content that an earlier drop stands for.
    """
    lines = (
        drops.filter(pl.col("n_lines") > 0)
        .select(
            "drop_no",
            "file",
            "state",
            line=pl.int_ranges(
                pl.col("first_line"), pl.col("first_line") + pl.col("n_lines"), dtype=pl.Int32
            ),
        )
        .explode("line")
    )
    ranks = pl.DataFrame({"fate": list(RANK), "rank": list(RANK.values())})
    by_row = (
        row_fates.with_columns(fate=pl.when("line_held").then(pl.lit("held")).otherwise("fate"))
        .join(ranks, on="fate")
        .group_by("drop_no", "line")
        .agg(row_fate=pl.col("fate").sort_by("rank").first())
    )
    waits = held.filter(pl.col("line").is_not_null()).select("drop_no", "line").unique()
    empty = skipped.select("drop_no", "line").unique()
    # The lines of a repeated content are skipped where the first drop's were.
    stands_for = drops.filter(pl.col("state") != "repeated").select("file", "drop_no")
    same_file = empty.join(stands_for, on="drop_no").select("file", "line", skip_copy=pl.lit(True))
    found = (
        lines.join(by_row, on=["drop_no", "line"], how="left")
        .join(waits.with_columns(waits=pl.lit(True)), on=["drop_no", "line"], how="left")
        .join(empty.with_columns(empty=pl.lit(True)), on=["drop_no", "line"], how="left")
        .join(same_file, on=["file", "line"], how="left")
    )
    fate = (
        pl.when(pl.col("state") == "repeated")
        .then(pl.when(pl.col("skip_copy")).then(pl.lit("skipped")).otherwise(pl.lit("repeated")))
        .when(pl.col("state").is_in(["held", "rejected"]) | pl.col("waits"))
        .then(pl.lit("held"))
        .when(pl.col("row_fate").is_not_null())
        .then(pl.col("row_fate"))
        .when(pl.col("empty"))
        .then(pl.lit("skipped"))
    )
    return found.select("drop_no", "line", fate=fate).sort("drop_no", "line")


def line_fates(drops: pl.DataFrame, lines: pl.DataFrame) -> pl.DataFrame:
    """The table `line_fates`: runs of neighbouring lines of one drop with one fate."""
    run = (
        (pl.col("drop_no") != pl.col("drop_no").shift(1)) | (pl.col("fate") != pl.col("fate").shift(1))
    ).fill_null(True)
    return (
        lines.filter(pl.col("fate").is_not_null())
        .with_columns(run=run.cum_sum())
        .group_by("run", maintain_order=True)
        .agg(
            pl.col("drop_no").first(),
            first_line=pl.col("line").first(),
            last_line=pl.col("line").last(),
            fate=pl.col("fate").first(),
        )
        .join(drops.select("drop_no", "drop_id"), on="drop_no", how="left", maintain_order="left")
        .select(pl.col(c).cast(t) for c, t in polars_schema(TABLES["line_fates"]).items())
    )


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

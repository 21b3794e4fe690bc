"""Complementary suppression: no small group can be found by taking published groups from a larger one."""

from __future__ import annotations

import polars as pl

from pipeline.analysis.norm_tables import MINIMUM

_CELL = ["week", "metric", "series_id"]
_KEY = [*_CELL, "population_id"]


def to_withhold(cells: pl.DataFrame, parents: pl.DataFrame, minimum: int = MINIMUM) -> pl.DataFrame:
    """The cells to withhold so that no remainder of 1 to `minimum` - 1 athletes can be worked out.

    `cells` are the published ones: week, metric, series_id, population_id, n_athletes; `parents` has
    population_id and parent_id of every population, and children of one parent share no athlete. Where a
    population less its published children leaves a small remainder, the smallest child is withheld, never the
    larger population; and with a child all that lies below it, for the same sum could be made from those.
    Returns the keys (week, metric, series_id, population_id).
    """
    linked = _under_published(cells, parents)
    above = cells.select(*_CELL, parent_id="population_id", parent_n="n_athletes")
    siblings = [*_CELL, "parent_id"]
    children = linked.join(above, on=siblings).sort("n_athletes", "population_id")
    remainder = pl.col("parent_n") - pl.col("n_athletes").sum().over(siblings)
    is_smallest = pl.int_range(pl.len()).over(siblings) == 0
    withheld = children.filter(remainder.is_between(1, minimum - 1) & is_smallest).select(_KEY)
    while True:
        below = linked.join(withheld.rename({"population_id": "parent_id"}), on=siblings).select(_KEY)
        new = below.join(withheld, on=_KEY, how="anti")
        if new.is_empty():
            return withheld.sort(_KEY)
        withheld = pl.concat([withheld, new])


def _under_published(cells: pl.DataFrame, parents: pl.DataFrame) -> pl.DataFrame:
    """The cells with the nearest population above them that is published as well, or NULL, as parent_id."""
    linked = cells.join(parents.select("population_id", "parent_id"), on="population_id", how="left")
    published = cells.select(*_CELL, parent_id="population_id", is_published=True)
    grandparents = parents.select(parent_id="population_id", next_id="parent_id")
    while True:
        seen = linked.join(published, on=[*_CELL, "parent_id"], how="left").join(
            grandparents, on="parent_id", how="left"
        )
        stranded = pl.col("parent_id").is_not_null() & pl.col("is_published").is_null()
        linked = seen.with_columns(parent_id=pl.when(stranded).then("next_id").otherwise("parent_id")).drop(
            "next_id", "is_published"
        )
        if not seen.select(stranded.any()).item():
            return linked

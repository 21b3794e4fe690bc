"""No small group can be worked out from what a coach is given."""

from __future__ import annotations

from datetime import date

import polars as pl
from hypothesis import given, settings
from hypothesis import strategies as st

from pipeline.publish.suppression import to_withhold

WEEK = date(2026, 3, 2)
Tree = dict[str, tuple[str | None, int]]


def _withheld(tree: Tree, published: set[str] | None = None) -> set[str]:
    """The populations of a tree (name: parent, athletes) that are withheld; by default all are published."""
    shown = [name for name in tree if published is None or name in published]
    cells = pl.DataFrame(
        {"population_id": shown, "n_athletes": [tree[name][1] for name in shown]},
        schema={"population_id": pl.String, "n_athletes": pl.Int32},
    ).with_columns(week=pl.lit(WEEK), metric=pl.lit("m"), series_id=pl.lit("s"))
    parents = pl.DataFrame(
        [(name, parent) for name, (parent, _) in tree.items()],
        schema={"population_id": pl.String, "parent_id": pl.String},
        orient="row",
    )
    return set(to_withhold(cells, parents)["population_id"])


def test_a_small_remainder_withholds_the_smallest_sibling() -> None:
    assert _withheld({"all": (None, 45), "row": ("all", 31), "run": ("all", 10)}) == {"run"}


def test_nothing_is_withheld_where_nobody_or_enough_are_left() -> None:
    assert _withheld({"all": (None, 41), "row": ("all", 31), "run": ("all", 10)}) == set()
    assert _withheld({"all": (None, 49), "row": ("all", 31), "run": ("all", 10)}) == set()
    assert _withheld({"all": (None, 45)}) == set()


def test_one_child_with_few_beside_it_is_withheld_and_never_the_larger_population() -> None:
    assert _withheld({"all": (None, 12), "row": ("all", 10)}) == {"row"}


def test_equal_siblings_are_told_apart_by_id() -> None:
    assert _withheld({"all": (None, 21), "b": ("all", 9), "a": ("all", 9)}) == {"a"}


def test_what_lies_below_a_withheld_group_goes_with_it() -> None:
    tree: Tree = {"all": (None, 45), "row": ("all", 26), "run": ("all", 16), "fast": ("run", 16)}
    assert _withheld(tree) == {"run", "fast"}


def test_a_group_whose_parent_is_not_shown_counts_under_the_next_wider_one() -> None:
    tree: Tree = {"all": (None, 20), "row": ("all", 16), "bow": ("row", 15)}
    assert _withheld(tree, {"all", "bow"}) == {"bow"}


def test_another_series_is_another_sum() -> None:
    cells = pl.DataFrame(
        [(WEEK, "m", "s1", "all", 12), (WEEK, "m", "s2", "row", 10)],
        schema=["week", "metric", "series_id", "population_id", "n_athletes"],
        orient="row",
    )
    parents = pl.DataFrame({"population_id": ["all", "row"], "parent_id": [None, "all"]})
    assert to_withhold(cells, parents).is_empty()


@st.composite
def _trees(draw: st.DrawFn) -> Tree:
    """Three rungs; a parent has its children's athletes and some that are in none of them."""
    tree: Tree = {}
    counts = st.sampled_from([0, 1, 3, 8, 10])
    total = draw(counts)
    for child in range(draw(st.integers(0, 3))):
        n = draw(counts)
        for leaf in range(draw(st.integers(0, 3))):
            size = draw(counts)
            tree[f"{child}{leaf}"] = (f"{child}", size)
            n += size
        tree[f"{child}"] = ("all", n)
        total += n
    tree["all"] = (None, total)
    return tree


@settings(deadline=None)
@given(_trees())
def test_no_published_group_less_published_groups_within_it_leaves_a_few(tree: Tree) -> None:
    large = {name for name, (_, n) in tree.items() if n >= 8}
    shown = large - _withheld(tree, large)
    for name in shown:
        for rest in _remainders(name, tree, shown):
            assert rest == 0 or rest >= 8, (name, rest)
    assert ("all" in shown) == (tree["all"][1] >= 8)


def _remainders(name: str, tree: Tree, shown: set[str]) -> set[int]:
    """What is left of a group for every choice of published groups within it, none inside another."""
    options = {tree[name][1]}
    for child in (other for other, (parent, _) in tree.items() if parent == name):
        n = tree[child][1]
        taken = {n - rest for rest in _remainders(child, tree, shown)} | ({n} if child in shown else set())
        options = {left - away for left in options for away in taken | {0}}
    return options

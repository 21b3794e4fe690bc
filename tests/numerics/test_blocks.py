"""No small group can be worked out from what a coach is given."""

from __future__ import annotations

import numpy as np
from hypothesis import given, settings
from hypothesis import strategies as st

from pipeline.numerics.blocks import homes, sizes, without_small_rests
from pipeline.numerics.percentiles import Ints

Tree = dict[str, tuple[str | None, int]]


def _members(tree: Tree) -> tuple[list[str], Ints, Ints]:
    """The cells of a tree (name: parent, athletes) by name, their parents, and the cells of each athlete.

    Athletes of a parent that are in none of its children are rows that begin with the parent.
    """
    names = sorted(tree)
    place = {name: i for i, name in enumerate(names)}
    parent = np.array([place[above] if (above := tree[name][0]) else -1 for name in names])
    rows = []
    for name in names:
        path = [place[name]]
        while parent[path[-1]] >= 0:
            path.append(parent[path[-1]])
        within = sum(n for above, n in tree.values() if above == name)
        rows += [[-1] * (3 - len(path)) + path] * (tree[name][1] - within)
    return names, parent, np.array(rows, dtype=np.int64).reshape(-1, 3)


def _withheld(tree: Tree, published: set[str] | None = None) -> set[str]:
    """The populations of a tree that are withheld; by default all are to be published."""
    names, parent, cells = _members(tree)
    wanted = np.array([published is None or name in published for name in names])
    assert sizes(len(names), np.ones(len(cells), dtype=np.int64), cells).tolist() == [
        tree[name][1] for name in names
    ]
    shown = without_small_rests(wanted, parent, 8, np.ones(len(cells), dtype=np.int64), cells)
    return {name for name, held in zip(names, wanted & ~shown, strict=True) if held}


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


def test_who_moves_counts_in_both_groups_and_once_in_the_wider() -> None:
    before, after = np.array([[0, 2], [0, 2], [1, 2]]), np.array([[0, 2], [1, 2], [-1, -1]])
    assert sizes(3, np.ones(3, dtype=np.int64), before, after).tolist() == [2, 2, 3]
    assert sizes(3, np.array([1, 4, 9]), before, after).tolist() == [5, 13, 14]
    shown = np.array([True, False, True])
    assert homes(before, shown).tolist() == [0, 0, 2]
    assert homes(after, shown).tolist() == [0, 2, -1]


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

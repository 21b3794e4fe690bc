"""Chances in plain words: "about 3 in 4 that it is better"."""

from __future__ import annotations

from itertools import pairwise

import polars as pl

_WORDS = {
    0.99: "about 99 in 100",
    0.95: "about 19 in 20",
    0.90: "about 9 in 10",
    0.80: "about 4 in 5",
    0.75: "about 3 in 4",
    2 / 3: "about 2 in 3",
    0.60: "about 3 in 5",
    0.50: "about 1 in 2",
    0.40: "about 2 in 5",
    1 / 3: "about 1 in 3",
}
_OUTCOMES = {
    "p_better": "it is better",
    "p_worse": "it is worse",
    "p_within": "it changed by less than matters",
}


def plain_odds() -> pl.Expr:
    """The likeliest of p_better, p_within and p_worse in words; NULL where there are none."""
    most = pl.max_horizontal(list(_OUTCOMES))
    words = list(_WORDS.items())
    fraction = pl.lit(words[-1][1])
    for (chance, said), (below, _) in reversed(list(pairwise(words))):
        fraction = pl.when(most >= (chance + below) / 2).then(pl.lit(said)).otherwise(fraction)
    outcome = pl.lit(None, pl.String)
    for column, said in reversed(_OUTCOMES.items()):
        outcome = pl.when(pl.col(column) == most).then(pl.lit(said)).otherwise(outcome)
    return pl.format("{} that {}", fraction, outcome)

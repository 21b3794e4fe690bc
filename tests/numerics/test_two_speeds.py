"""The two speeds together: between the two, and on the side that fits."""

from __future__ import annotations

import numpy as np
import pytest

from pipeline.numerics.local_level import Rows, Sessions, compare, follow
from pipeline.numerics.two_speeds import FAST, log_likelihood, mixed_comparison, mixed_levels


def world(rise: float, n: int = 400, count: int = 16) -> tuple[Sessions, Rows]:
    rng = np.random.default_rng(5)
    value = rise * np.arange(count) + rng.normal(0, 3, (n, count))
    day = np.tile(np.arange(count) * 7.0, n)
    flat = n * count
    sessions = Sessions(value.ravel(), day, np.ones(flat), np.zeros(flat, bool), np.tile(np.arange(count), n))
    rows = Rows(
        np.arange(n) * count, np.full(n, count), np.full(n, 9.0), np.zeros(n), np.full(n, 1.5**2 / 28)
    )
    return sessions, rows


def at_fast(rows: Rows) -> Rows:
    return Rows(rows.first, rows.size, rows.between, rows.within, rows.drift * FAST**2)


def test_the_mixture_lies_between_the_speeds() -> None:
    sessions, rows = world(0.5)
    slow, fast, mixed = follow(sessions, rows), follow(sessions, at_fast(rows)), mixed_levels(sessions, rows)
    low, high = np.minimum(slow.level, fast.level), np.maximum(slow.level, fast.level)
    assert ((mixed.level >= low - 1e-9) & (mixed.level <= high + 1e-9)).all()
    assert (mixed.variance >= np.minimum(slow.variance, fast.variance) - 1e-9).all()


@pytest.mark.parametrize(("rise", "nearer"), [(0.0, "slow"), (4.0, "fast")])
def test_who_stands_still_is_followed_slowly_and_who_runs_fast(rise: float, nearer: str) -> None:
    sessions, rows = world(rise)
    anchors = np.zeros((1, 400), dtype=np.int64), np.full((1, 400), 3)
    slow, fast = compare(sessions, rows, *anchors), compare(sessions, at_fast(rows), *anchors)
    mixed = mixed_comparison(sessions, rows, *anchors)
    to_slow, to_fast = (np.abs(mixed.level - one.level).mean() for one in (slow, fast))
    assert (to_slow < to_fast) == (nearer == "slow")


def test_the_likelihood_is_that_of_the_mixture() -> None:
    from pipeline.numerics.two_speeds import FAST_SHARE

    sessions, rows = world(1.0, n=50)
    anchors = np.zeros((1, 50), dtype=np.int64), np.full((1, 50), 3)
    slow, fast = (compare(sessions, at, *anchors).told for at in (rows, at_fast(rows)))
    whole = np.log((1 - FAST_SHARE) * np.exp(slow) + FAST_SHARE * np.exp(fast))
    assert log_likelihood(sessions, rows).reshape(50, -1).sum(axis=1) == pytest.approx(whole)

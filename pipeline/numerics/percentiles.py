"""Percentiles by Hyndman-Fan definition 8, and their intervals by order statistics.

Source: Hyndman & Fan 1996, Sample quantiles in statistical packages, Am Stat 50:361-365. Definition 8 is
about median-unbiased whatever the distribution. The interval is the distribution-free one from the binomial
distribution of the number of values below the percentile.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.special import bdtr

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]


def percentile_type8(values: ArrayLike, probabilities: Sequence[float]) -> Floats:
    """Percentiles of one sample, in its unit: `values` (n,) in any order, `probabilities` in 0..1 -> (p,).

    The same as numpy's `method="median_unbiased"`. ValueError where there is no value.
    """
    ordered = np.sort(np.asarray(values, dtype=np.float64))
    if ordered.size == 0:
        raise ValueError("a percentile needs at least one value")
    return percentiles_by_group(ordered, np.array([0, ordered.size]), probabilities).reshape(-1)


def percentiles_by_group(ordered: Floats, offsets: Ints, probabilities: Sequence[float]) -> Floats:
    """Percentiles of many samples laid end to end: (n,), (groups + 1,), (p,) -> (groups, p).

    Group g is `ordered[offsets[g]:offsets[g + 1]]`: sorted upward, at least one value. The position of
    probability p among n values is h = (n + 1/3) p + 1/3, kept within 1..n (so the ends are the smallest
    and the largest value), and the value is interpolated between the two order statistics beside it.
    """
    size = np.diff(offsets)[:, None]
    p = np.asarray(probabilities, dtype=np.float64)[None, :]
    position = np.clip((size + 1 / 3) * p + 1 / 3, 1, size)
    below = np.minimum(np.floor(position).astype(np.int64), np.maximum(size - 1, 1))
    first = offsets[:-1][:, None]
    low = ordered[first + below - 1]
    high = ordered[first + np.minimum(below, size - 1)]
    found: Floats = low + (position - below) * (high - low)
    return found


def order_statistic_interval(n: int, p: float, confidence: float = 0.90) -> tuple[int, int] | None:
    """Which order statistics (the smallest is 1) bound percentile `p` (0..1) of a sample of `n`.

    Each end is missed with probability (1 - confidence) / 2 at most, whatever the distribution; exact, no
    chance in it. None where `n` is too small to say so.
    """
    low, high = order_statistic_ranks(np.array([n]), p, confidence)
    return (int(low[0]), int(high[0])) if low[0] else None


def order_statistic_ranks(sizes: Ints, p: float, confidence: float = 0.90) -> tuple[Ints, Ints]:
    """The same for many sample sizes at once: (groups,) -> lower and upper rank (groups,), 0 where None.

    With B binomial(n, p), the lower rank is the largest l with P(B <= l - 1) <= tail, the upper the smallest
    u with P(B >= u) <= tail, tail = (1 - confidence) / 2.
    """
    distinct, where = np.unique(sizes, return_inverse=True)
    tail = (1 - confidence) / 2
    low = _binomial_quantile(distinct, p, tail)
    high = _binomial_quantile(distinct, p, 1 - tail) + 1
    known = (low >= 1) & (high <= distinct)
    return np.where(known, low, 0)[where], np.where(known, high, 0)[where]


def _binomial_quantile(sizes: Ints, p: float, probability: float) -> Ints:
    """The smallest k with P(B <= k) >= probability, for B binomial(n, p) of every n, by bisection."""
    low, high = np.zeros_like(sizes), sizes.copy()
    while np.any(low < high):
        middle = (low + high) // 2
        enough = bdtr(middle, sizes, p) >= probability
        low, high = np.where(enough, low, middle + 1), np.where(enough, middle, high)
    return low

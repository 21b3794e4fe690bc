"""Medians of what stands around each value of an ordered series, itself left out."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

Reals = NDArray[np.float64]


def medians_around(values: Reals, groups: NDArray[np.int64], reach: int) -> tuple[Reals, NDArray[np.int64]]:
    """Of each value the median of up to `reach` neighbours before and as many after it in its group, and how
    many they are; NaN where there is none.

    `values` (n,) without NaN, `groups` (n,): equal numbers are one group and stand together, in order.
    """
    around = np.full((len(values), 2 * reach), np.nan)
    for step in range(1, reach + 1):
        same = groups[step:] == groups[:-step]
        around[step:, step - 1][same] = values[:-step][same]
        around[:-step, reach + step - 1][same] = values[step:][same]
    # NaN sorts to the end, so the values of each row stand at its beginning.
    around.sort(axis=1)
    counts = np.sum(~np.isnan(around), axis=1)
    at = np.arange(len(values))
    low, high = np.maximum(counts - 1, 0) // 2, counts // 2
    high = np.where(counts % 2, low, np.minimum(high, 2 * reach - 1))
    return (around[at, low] + around[at, high]) / 2, counts

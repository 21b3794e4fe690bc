"""Samples of traces in the order that what goes through them needs."""

from __future__ import annotations

import numpy as np
import polars as pl

from pipeline.numerics.laid import Ints


def by_trace(samples: pl.DataFrame, *then: str) -> tuple[pl.DataFrame, pl.Series, Ints]:
    """Samples sorted by `sample_set_id` and by the columns `then`, two at most, without NULLs.

    Beside them the trace of each stretch, (k,), and where each begins and the last ends, (k + 1,).
    """
    names, offsets = _stretches(samples)
    if not _in_order(samples.select(then), names, offsets):
        samples = samples.sort("sample_set_id", *then)
        names, offsets = _stretches(samples)
    return samples, names, offsets


def _stretches(samples: pl.DataFrame) -> tuple[pl.Series, Ints]:
    """The name of each stretch of samples of one trace, and where each begins and the last ends."""
    sets = samples["sample_set_id"].rle().struct.unnest()
    offsets = np.concatenate([[0], np.cumsum(sets["len"].to_numpy())]).astype(np.int64)
    return sets["value"].alias("sample_set_id"), offsets


def _in_order(then: pl.DataFrame, names: pl.Series, offsets: Ints) -> bool:
    """Whether samples are sorted already, as the warehouse gives them; sorting is slow."""
    falls = np.zeros(then.height, dtype=np.bool_)
    for column in reversed(then.get_columns()):
        values = column.to_numpy()
        if falls.any():  # which matters only where the column before is the same
            falls[1:] &= values[1:] == values[:-1]
        falls[1:] |= values[1:] < values[:-1]
    falls[offsets[:-1]] = False
    return not falls.any() and names.is_sorted() and names.n_unique() == names.len()

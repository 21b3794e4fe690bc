"""Sessions of athletes' series as the arrays that the local level takes."""

from __future__ import annotations

import numpy as np
import polars as pl

from pipeline.analysis.usable import LINE
from pipeline.numerics.local_level import Sessions
from pipeline.numerics.percentiles import Ints


def laid_out(rows: pl.DataFrame) -> tuple[Sessions, Ints, Ints]:
    """Sessions laid end to end, and where each athlete's series begins and how many it has.

    `rows`: sorted by `LINE` and local_date; y, n_trials, anew, full. An anchor may use sessions of people
    fully available.
    """
    n = rows.height
    line = rows.select(pl.struct(LINE).rle_id()).to_series().to_numpy()
    first = np.flatnonzero(np.diff(line, prepend=-1)).astype(np.int64)
    size = np.diff(np.append(first, n)).astype(np.int64)
    full = rows["full"].to_numpy()
    counted = np.cumsum(full) - 1
    before = np.repeat(counted[first] - full[first] + 1, size) if n else counted
    sessions = Sessions(
        rows["y"].to_numpy(),
        rows["local_date"].cast(pl.Int32).to_numpy().astype(np.float64),
        rows["n_trials"].to_numpy(),
        rows["anew"].to_numpy(),
        np.where(full, counted - before, -1),
    )
    return sessions, first, size

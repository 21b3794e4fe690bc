"""Repetitions found in bar traces, as rows of `bar_reps`, and the samples that each is made of."""

from __future__ import annotations

from collections.abc import Iterable
from itertools import pairwise

import numpy as np
import numpy.typing as npt
import polars as pl

from pipeline.ids import text_ids
from pipeline.metrics.rows import as_table, join_codes
from pipeline.numerics.repetitions import Ints, Repetitions, find_repetitions

TABLE = "_found_reps"
_MEASURED = {
    "mean_velocity_m_s": "mean_m_s",
    "peak_velocity_m_s": "peak_m_s",
    "propulsive_velocity_m_s": "propulsive_m_s",
    "range_of_motion_m": "way_m",
}


def found_reps(sets: pl.DataFrame, samples: pl.DataFrame) -> pl.DataFrame:
    """The table `_found_reps`: `bar_reps` rows of every trace, with the times of their samples.

    `sets`: `bar_sets`; `samples`: `bar_samples`. A repetition has whose, when and what of its set, the line
    of its first sample, and its number in the trace; one with samples missing is flagged `gap` and has no
    peak and no propulsive velocity.
    """
    ordered = samples.join(sets, on="sample_set_id", how="semi").sort("sample_set_id", "time_s", "line")
    traces = ordered.group_by("sample_set_id", maintain_order=True).agg(n=pl.len())
    offsets = np.concatenate([[0], np.cumsum(traces["n"].to_numpy())]).astype(np.int64)
    time, position = ordered["time_s"].to_numpy(), ordered["position_m"].to_numpy()
    found = [find_repetitions(time[a:b], position[a:b]) for a, b in pairwise(offsets)]
    placed = _laid_end_to_end(traces["sample_set_id"], found, offsets)
    first, last = placed["first"], placed["last"]
    placed = placed.with_columns(
        line=ordered["line"].gather(first),
        from_s=ordered["time_s"].gather(first),
        until_s=ordered["time_s"].gather(last),
    )
    rows = sets.drop("line").join(placed, on="sample_set_id", how="inner", validate="1:m")
    key = rows.select(pl.concat_str(pl.lit("bar_reps"), "row_id", "rep", separator="|")).to_series()
    gap = pl.when("gap").then(pl.lit("gap"))
    rows = rows.with_columns(row_id=text_ids(key), flags=join_codes(pl.col("flags"), gap))
    return as_table(rows.with_columns(trial_id=pl.col("row_id")), TABLE)


def samples_with_reps(samples: pl.DataFrame, reps: pl.DataFrame) -> pl.DataFrame:
    """`bar_samples` with `row_id` of the repetition that each is part of, NULL between repetitions.

    `reps`: `_found_reps`.
    """
    spans = reps.select("sample_set_id", "from_s", "until_s", rep_id="row_id").sort("from_s")
    near = samples.sort("time_s").join_asof(
        spans,
        left_on="time_s",
        right_on="from_s",
        by="sample_set_id",
        strategy="backward",
        check_sortedness=False,
    )
    within = pl.col("time_s") <= pl.col("until_s")
    return near.with_columns(row_id=pl.when(within).then("rep_id")).select(samples.columns)


def _laid_end_to_end(names: pl.Series, found: list[Repetitions], offsets: Ints) -> pl.DataFrame:
    """The repetitions of all traces, a row each; `first` and `last` count from the first sample of all."""
    counts = [one.way_m.size for one in found]
    number = [np.arange(1, n + 1, dtype=np.int32) for n in counts]

    def joined(parts: Iterable[npt.NDArray[np.generic]]) -> npt.NDArray[np.generic]:
        return np.concatenate([np.zeros(0, dtype=np.int32), *parts])

    columns = {
        "trace": joined(np.full(n, at, dtype=np.int32) for at, n in enumerate(counts)),
        "rep": joined(number),
        "first": joined(one.first + begins for one, begins in zip(found, offsets, strict=False)),
        "last": joined(one.last + begins for one, begins in zip(found, offsets, strict=False)),
        "gap": joined(one.gap for one in found),
        **{column: joined(getattr(one, quantity) for one in found) for column, quantity in _MEASURED.items()},
    }
    frame = pl.DataFrame(columns)
    return frame.select(
        names.gather(frame["trace"].cast(pl.UInt32)),
        pl.col("rep", "first", "last").cast(pl.Int64),
        pl.col("gap").cast(pl.Boolean),
        pl.col(*_MEASURED).cast(pl.Float64).fill_nan(None),
    )

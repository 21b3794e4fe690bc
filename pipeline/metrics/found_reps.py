"""Repetitions found in bar traces, as rows of `bar_reps`, and the samples that each is made of."""

from __future__ import annotations

from itertools import pairwise

import numpy as np
import polars as pl

from pipeline.ids import text_ids
from pipeline.metrics.rows import as_table, join_codes
from pipeline.numerics.repetitions import find_repetitions

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
    parts = [
        _of_trace(name, time[a:b], position[a:b], int(a))
        for name, (a, b) in zip(traces["sample_set_id"], pairwise(offsets), strict=True)
    ]
    reps = pl.concat([_of_trace("", time[:0], position[:0], 0), *parts])
    lines, times = ordered["line"], ordered["time_s"]
    placed = reps.with_columns(
        line=lines.gather(reps["first"]),
        from_s=times.gather(reps["first"]),
        until_s=times.gather(reps["last"]),
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


def _of_trace(
    name: str, time_s: np.typing.NDArray[np.float64], position_m: np.typing.NDArray[np.float64], begins: int
) -> pl.DataFrame:
    """The repetitions of one trace; `first` and `last` count from the first sample of all."""
    found = find_repetitions(time_s, position_m)
    measured = {column: getattr(found, quantity) for column, quantity in _MEASURED.items()}
    return pl.DataFrame(
        {"first": found.first + begins, "last": found.last + begins, "gap": found.gap, **measured},
        schema_overrides=dict.fromkeys(measured, pl.Float64),
    ).select(
        pl.lit(name).alias("sample_set_id"),
        pl.int_range(1, pl.len() + 1, dtype=pl.Int32).alias("rep"),
        pl.col("first", "last", "gap"),
        *(pl.col(column).fill_nan(None) for column in measured),
    )

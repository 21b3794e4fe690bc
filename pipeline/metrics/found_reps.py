"""Repetitions found in bar traces, as rows of `bar_reps`, and the samples that each is made of."""

from __future__ import annotations

import numpy as np
import polars as pl

from pipeline.ids import text_ids
from pipeline.metrics.rows import as_table, join_codes
from pipeline.metrics.trace_order import by_trace
from pipeline.metrics.witness import BAR_PEAK_VELOCITY, REPETITIONS, code_where, disagrees
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
    peak and no propulsive velocity. Where the device counts or says otherwise, all of the set are flagged
    `witness_disagrees`.
    """
    ordered, names, offsets = by_trace(samples, "time_s", "line")
    if not names.is_in(sets["sample_set_id"].implode()).all():
        ordered, names, offsets = by_trace(
            ordered.join(sets, on="sample_set_id", how="semi", maintain_order="left"), "time_s", "line"
        )
    found = find_repetitions(ordered["time_s"].to_numpy(), ordered["position_m"].to_numpy(), offsets)
    begins = np.searchsorted(found.trace, found.trace)  # the place of the first of its trace
    placed = pl.DataFrame(
        {
            "sample_set_id": names.gather(found.trace),
            "rep": np.arange(1, found.trace.size + 1) - begins,
            "gap": found.gap,
            **{column: getattr(found, quantity) for column, quantity in _MEASURED.items()},
        }
    ).with_columns(pl.col(*_MEASURED).fill_nan(None))
    placed = placed.with_columns(
        line=ordered["line"].gather(found.first),
        from_s=ordered["time_s"].gather(found.first),
        until_s=ordered["time_s"].gather(found.last),
    )
    rows = sets.drop("line").join(placed, on="sample_set_id", how="inner", validate="1:m")
    key = rows.select(pl.concat_str(pl.lit("bar_reps"), "row_id", "rep", separator="|")).to_series()
    gap = pl.when("gap").then(pl.lit("gap"))
    peak = pl.col("peak_velocity_m_s").max().over("sample_set_id")
    other = disagrees(pl.col("witness_set_peak_velocity_m_s"), peak, BAR_PEAK_VELOCITY)
    other |= disagrees(pl.col("witness_set_repetitions"), pl.len().over("sample_set_id"), REPETITIONS)
    rows = rows.with_columns(row_id=text_ids(key), flags=join_codes(pl.col("flags"), gap, code_where(other)))
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

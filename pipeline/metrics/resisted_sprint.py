"""Resisted sprint: plateau velocity, peak and mean force of each run, from its trace."""

from __future__ import annotations

import numpy as np
import polars as pl

from pipeline.metrics.rows import values_of, with_codes, with_series_keys
from pipeline.numerics.traces import STRETCH_M, by_trace, fastest_stretch, mean_force, peak_force

FAMILY = "resisted_sprint"
TABLE = "resisted_runs"

BACK_M = 0.05
"""So far may the position go back within a trace [m]; further is no run (methods, B5)."""


def flag(trials: pl.DataFrame, samples: pl.DataFrame) -> pl.DataFrame:
    """`resisted_runs` with the codes that its mark and its trace give. `samples`: `resisted_samples`."""
    shown = trials.join(_looks(samples), on="sample_set_id", how="left", maintain_order="left")
    codes = {"trace_short": pl.col("short"), "trace_not_rising": pl.col("not_rising")}
    return with_codes(shown, codes).select(trials.columns)


def measure(trials: pl.DataFrame, masses: pl.DataFrame, samples: pl.DataFrame) -> pl.DataFrame:
    """Values of `resisted_runs` as `flag` returns them, long: velocity [m/s], forces [N].

    `samples`: the set `resisted_samples`. `masses` is not needed: no value here depends on body mass.
    Force is the force in the line as measured; a setting never stands in for it.
    """
    runs = with_series_keys(trials).join(_of_traces(samples), on="sample_set_id", how="left")
    return pl.concat(
        [
            values_of(runs, "resisted_plateau_velocity", pl.col("plateau")),
            values_of(runs, "resisted_peak_force", pl.col("peak")),
            values_of(runs, "resisted_mean_force", pl.col("mean")),
        ]
    )


def _looks(samples: pl.DataFrame) -> pl.DataFrame:
    """sample_set_id, short (less than the stretch of a plateau), not_rising (time stands, position back)."""
    place = pl.col("position_m")
    back = (place.cum_max() - place).max() > BACK_M
    return (
        samples.sort("sample_set_id", "time_s")
        .group_by("sample_set_id", maintain_order=True)
        .agg(
            short=place.max() - place.first() < STRETCH_M,
            not_rising=back | (pl.col("time_s").diff().min() <= 0).fill_null(False),
        )
    )


def _of_traces(samples: pl.DataFrame) -> pl.DataFrame:
    """sample_set_id, plateau [m/s], peak [N], mean [N]; NULL where a trace is too short or has no force."""
    ordered = samples.sort("sample_set_id", "time_s")
    sets = ordered.group_by("sample_set_id", maintain_order=True).agg(n=pl.len())
    offsets = np.concatenate([[0], np.cumsum(sets["n"].to_numpy())]).astype(np.int64)
    time, place = ordered["time_s"].to_numpy(), ordered["position_m"].to_numpy()
    # A trace without force, or with a hole in it, has none of its numbers: NaN passes through the sums.
    force = ordered["force_n"].fill_null(float("nan")).to_numpy()
    numbers = {
        "plateau": by_trace(offsets, fastest_stretch, time, place),
        "peak": by_trace(offsets, peak_force, time, force),
        "mean": by_trace(offsets, mean_force, time, force),
    }
    return sets.select("sample_set_id").with_columns(
        pl.Series(name, values).fill_nan(None) for name, values in numbers.items()
    )

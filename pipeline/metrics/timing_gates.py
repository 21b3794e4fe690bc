"""Timing gates: sprint times, speeds between gates, turns a side."""

from __future__ import annotations

import polars as pl

from pipeline.metrics.rows import inputs_of, join_codes, thousandths, values_of, with_codes, with_series_keys

FAMILY = "timing_gates"
TABLE = "sprint_splits"
FASTEST_M_S = 12.6
"""No interval is faster [m/s]; judgement from world extremes (methods, B3)."""
_RUNS = ("linear_sprint", "flying_sprint")
_BAD_GATE = ("split_not_rising", "interval_too_fast")


def flag(trials: pl.DataFrame) -> pl.DataFrame:
    """`sprint_splits` with the codes that a row and its run give.

    `split_not_rising`: the gate's time is not after every nearer gate's. `interval_too_fast`: from the
    good gate before it (the first gate: from 0 m at 0 s) faster than `FASTEST_M_S`.
    """
    nearer = pl.col("split_time_s").cum_max().shift(1).over("trial_id", order_by="distance_m")
    late = trials.with_columns(not_rising=(pl.col("split_time_s") <= nearer).fill_null(False))
    fast = _too_fast(late.filter(~pl.col("not_rising")))
    own = {
        "split_not_rising": pl.col("not_rising"),
        "interval_too_fast": pl.col("row_id").is_in(fast.implode()),
        "start_offset_unknown": pl.col("start_offset_m").is_null(),
        "side_unknown": (pl.col("test") == "change_of_direction") & pl.col("side").is_null(),
    }
    return with_codes(late, own).drop("not_rising")


def measure(trials: pl.DataFrame, masses: pl.DataFrame) -> pl.DataFrame:
    """Values of `sprint_splits` as `flag` returns them, long: times [s] and mean speeds [m/s].

    `masses` is not needed: no value of this family depends on body mass.
    """
    rows = with_series_keys(trials)
    runs = rows.filter(pl.col("test").is_in(_RUNS))
    turns = rows.filter(pl.col("test") == "change_of_direction")
    last_gate = pl.col("distance_m") == pl.col("distance_m").max().over("trial_id")
    time_s = pl.col("split_time_s")
    parts = [
        values_of(runs, "sprint_time", time_s),
        _interval_speeds(runs),
        values_of(turns.filter(last_gate), "change_of_direction_time", time_s),
    ]
    return pl.concat(parts, how="diagonal")


def _interval_speeds(runs: pl.DataFrame) -> pl.DataFrame:
    good = runs.filter(~pl.col("flags").str.contains("|".join(_BAD_GATE)).fill_null(False))
    steps = _intervals(good).with_columns(from_distance=thousandths(pl.col("from_m"), "m"))
    two_rows = inputs_of([(TABLE, "from_row_id", "from"), (TABLE, "row_id", "to")])
    return values_of(
        steps,
        "interval_speed",
        pl.col("speed_m_s"),
        inputs=pl.when(pl.col("from_row_id").is_not_null()).then(two_rows),
        flags=join_codes(pl.col("flags"), pl.col("from_flags")),
    )


def _intervals(gates: pl.DataFrame) -> pl.DataFrame:
    """Each gate with the gate before it in its run (the first: 0 m at 0 s) and the mean speed between."""

    def before(column: str) -> pl.Expr:
        return pl.col(column).shift(1).over("trial_id", order_by="distance_m")

    return gates.with_columns(
        from_m=before("distance_m").fill_null(0.0),
        from_s=before("split_time_s").fill_null(0.0),
        from_row_id=before("row_id"),
        from_flags=before("flags"),
    ).with_columns(
        speed_m_s=(pl.col("distance_m") - pl.col("from_m")) / (pl.col("split_time_s") - pl.col("from_s"))
    )


def _too_fast(gates: pl.DataFrame) -> pl.Series:
    """Ids of the gates reached faster than possible from the last good gate before them.

    A gate taken out joins its two intervals, which may be too fast again: repeated until none is.
    """
    found = gates["row_id"].clear()
    while True:
        fast = _intervals(gates).filter(pl.col("speed_m_s") > FASTEST_M_S)["row_id"]
        if fast.is_empty():
            return found
        found = pl.concat([found, fast])
        gates = gates.filter(~pl.col("row_id").is_in(fast.implode()))

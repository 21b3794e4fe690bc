"""Contact mat: flight and contact times, jump heights, reactive strength, push-up rise."""

from __future__ import annotations

import polars as pl

from pipeline.metrics.rows import inputs_of, join_codes, values_of, with_codes, with_series_keys
from pipeline.numerics.physics import flight_height, jump_peak_power, reactive_strength

FAMILY = "contact_mat"
TABLE = "jump_trials"
_JUMPS = ("squat_jump", "countermovement_jump", "drop_jump")


def flag(trials: pl.DataFrame) -> pl.DataFrame:
    """`jump_trials` with the codes that a row alone gives: its mark, a box of unknown height."""
    no_box = (pl.col("test") == "drop_jump") & pl.col("drop_height_m").is_null()
    return with_codes(trials, {"box_height_unknown": no_box})


def measure(trials: pl.DataFrame, masses: pl.DataFrame) -> pl.DataFrame:
    """Values of `jump_trials` as `flag` returns them, long (see `rows.values_of`).

    `masses`: session_id, body_mass_kg, body_mass_row_id, body_mass_provisional.
    Heights g t² / 8 [cm], g from ISO 80000-3; reactive strength index height [m] / contact time [s].
    """
    test = pl.col("test")
    # A box height says something about drop jumps only: whatever else an export writes there must not
    # part one series in two.
    box = pl.when(test == "drop_jump").then(pl.col("drop_height").fill_null("unknown"))
    rows = with_series_keys(trials).with_columns(drop_height=box.otherwise(pl.lit("none")))
    height_m = flight_height(pl.col("flight_time_s"))
    jumps = rows.filter(test.is_in(_JUMPS))
    touching = rows.filter(test.is_in(("drop_jump", "repeated_hops")))
    drops = rows.filter(test == "drop_jump")
    parts = [
        values_of(rows, "flight_time", pl.col("flight_time_s")),
        values_of(jumps, "jump_height", height_m * 100),
        values_of(touching, "contact_time", pl.col("contact_time_s")),
        values_of(drops, "reactive_strength_index", reactive_strength(height_m, pl.col("contact_time_s"))),
        values_of(rows.filter(test == "push_up_flight"), "push_up_rise", height_m * 100),
        _peak_power(rows, masses),
    ]
    return pl.concat(parts)


def _peak_power(rows: pl.DataFrame, masses: pl.DataFrame) -> pl.DataFrame:
    """The estimate for two-leg jumps without load, where the session has a body mass.

    An empty load is how exports write "nothing added"; an empty leg may be any, so no estimate is made.
    """
    plain = rows.filter(
        pl.col("test").is_in(("squat_jump", "countermovement_jump"))
        & (pl.col("leg") == "both")
        & (pl.col("added_load_kg").fill_null(0.0) == 0.0)
    ).join(masses, on="session_id", how="left", validate="m:1")
    provisional = pl.when(pl.col("body_mass_provisional")).then(pl.lit("mass_provisional"))
    return values_of(
        plain,
        "jump_peak_power_estimate",
        jump_peak_power(flight_height(pl.col("flight_time_s")), pl.col("body_mass_kg")),
        inputs=inputs_of([(TABLE, "row_id", "jump"), ("body_readings", "body_mass_row_id", "body_mass")]),
        flags=join_codes(pl.col("flags"), provisional),
    )

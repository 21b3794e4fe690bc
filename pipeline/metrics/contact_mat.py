"""Contact mat: flight and contact times, jump heights, reactive strength, push-up rise, hops.

Values of several jumps of an occasion are made in `jump_comparisons` and `jump_profiles`.
"""

from __future__ import annotations

import polars as pl

from pipeline.metrics.jump_comparisons import (
    SHORT_CONTACT_S,
    bilateral_indices,
    drop_heights,
    utilisation_ratios,
)
from pipeline.metrics.jump_profiles import jump_fits, jump_profiles
from pipeline.metrics.rows import (
    codes_of,
    excluded,
    inputs_of,
    inputs_within,
    join_codes,
    values_of,
    with_codes,
    with_series_keys,
)
from pipeline.metrics.witness import CODE, JUMP_HEIGHT, REACTIVE_STRENGTH, disagrees
from pipeline.numerics.physics import flight_height, hop_stiffness, jump_peak_power, reactive_strength

FAMILY = "contact_mat"
TABLE = "jump_trials"
FEWEST_HOPS = 5
"""A series with fewer valid hops has no value (methods, corrections 29)."""
HOPS_TRIED = 10
"""A mean of the best five is comparable only among so many tried (methods, B1 and corrections 14)."""
_JUMPS = ("squat_jump", "countermovement_jump", "drop_jump")


def flag(trials: pl.DataFrame) -> pl.DataFrame:
    """`jump_trials` with the codes that a row alone gives: its mark, a box of unknown height, a witness."""
    no_box = (pl.col("test") == "drop_jump") & pl.col("drop_height_m").is_null()
    height = flight_height(pl.col("flight_time_s"))
    index = reactive_strength(height, pl.col("contact_time_s"))
    said = disagrees(pl.col("witness_jump_height_m"), height, JUMP_HEIGHT)
    said |= disagrees(pl.col("witness_reactive_strength_m_s"), index, REACTIVE_STRENGTH)
    return with_codes(trials, {"box_height_unknown": no_box, CODE: said})


def measure(trials: pl.DataFrame, masses: pl.DataFrame) -> pl.DataFrame:
    """Values of `jump_trials` as `flag` returns them, long (see `rows.values_of`).

    `masses`: see `occasions`. Heights g t² / 8 [cm], g from ISO 80000-3; reactive strength index height [m] /
    contact time [s]. Of a series of hops one value: the rows behind it are its inputs, and their roles say
    how many of the hops tried were valid.
    """
    rows = _keyed(trials)
    parts = [
        _of_trials(rows, masses),
        utilisation_ratios(rows),
        bilateral_indices(rows),
        drop_heights(rows.filter(pl.col("test") == "drop_jump")),
        jump_profiles(rows, masses),
    ]
    return pl.concat(parts, how="diagonal")


def measure_trials(trials: pl.DataFrame, masses: pl.DataFrame) -> pl.DataFrame:
    """Of the values that `measure` returns those of single trials, a series of hops being one."""
    return _of_trials(_keyed(trials), masses)


def _keyed(trials: pl.DataFrame) -> pl.DataFrame:
    """A box height says something about drop jumps only: whatever else an export writes there must not part
    one series in two."""
    box = pl.when(pl.col("test") == "drop_jump").then(pl.col("drop_height").fill_null("unknown"))
    return with_series_keys(trials).with_columns(drop_height=box.otherwise(pl.lit("none")))


def _of_trials(rows: pl.DataFrame, masses: pl.DataFrame) -> pl.DataFrame:
    test, height_m = pl.col("test"), flight_height(pl.col("flight_time_s"))
    jumps = rows.filter(test.is_in(_JUMPS))
    touching = rows.filter(test.is_in(("drop_jump", "repeated_hops")))
    drops = rows.filter(test == "drop_jump")
    flight_to_contact = pl.col("flight_time_s") / pl.col("contact_time_s")
    parts = [
        values_of(rows, "flight_time", pl.col("flight_time_s")),
        values_of(jumps, "jump_height", height_m * 100),
        values_of(touching, "contact_time", pl.col("contact_time_s")),
        values_of(drops, "reactive_strength_index", reactive_strength(height_m, pl.col("contact_time_s"))),
        values_of(drops, "flight_to_contact_ratio", flight_to_contact),
        values_of(rows.filter(test == "push_up_flight"), "push_up_rise", height_m * 100),
        _peak_power(rows, masses),
        _hop_reactive_strength(_hops(rows)),
        _hop_stiffness(_hops(rows).join(masses, on="session_id", how="left", validate="m:1")),
    ]
    return pl.concat(parts, how="diagonal")


def profiles(trials: pl.DataFrame, masses: pl.DataFrame) -> pl.DataFrame:
    """The force-velocity lines of loaded jumps of `jump_trials` as `flag` returns them, as fits."""
    return jump_fits(with_series_keys(trials), masses)


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


def _hops(rows: pl.DataFrame) -> pl.DataFrame:
    """The numbered hops of series, in order, with `role`: the first hop is set aside, some do not count."""
    hops = rows.filter((pl.col("test") == "repeated_hops") & pl.col("hop").is_not_null())
    counts = ~excluded(pl.col("flags")) & pl.col("contact_time_s").is_not_null()
    role = (
        pl.when(pl.col("hop") == pl.col("hop").min().over("trial_id"))
        .then(pl.lit("first_hop"))
        .when(counts)
        .then(pl.lit("valid_hop"))
        .otherwise(pl.lit("invalid_hop"))
    )
    return hops.with_columns(role=role).sort("trial_id", "hop", "row_id")


def _series_of(hops: pl.DataFrame, valid: pl.Expr, value: pl.Expr) -> pl.DataFrame:
    """One row a series: its first row, `tried`, `valid`, `value`, the codes of the valid hops, all as inputs.

    `row_id` is that of the series, which stays the same when hops are held or released.
    """
    own = [name for name in hops.columns if name not in ("trial_id", "row_id", "flags")]
    return hops.group_by("trial_id", maintain_order=True).agg(
        pl.col(own).first(),
        tried=pl.len(),
        valid=valid.sum(),
        value=value,
        flags=codes_of(pl.col("flags").filter(valid)),
        inputs=inputs_within(TABLE, pl.col("role")),
    ).with_columns(row_id=pl.col("trial_id"))  # fmt: skip


def _hop_values(series: pl.DataFrame, metric: str, not_ten: pl.Expr) -> pl.DataFrame:
    """Values of series; none where too few hops are valid or `not_ten` holds, with the code that says so."""
    few = pl.col("valid") < FEWEST_HOPS
    why = pl.when(few).then(pl.lit("few_hops")).when(not_ten).then(pl.lit("hops_not_ten"))
    value = pl.when(~few & ~not_ten).then(pl.col("value"))
    flags = join_codes(pl.col("flags"), why)
    return values_of(series, metric, value, pl.col("inputs"), flags, keep_empty=True)


def _hop_reactive_strength(hops: pl.DataFrame) -> pl.DataFrame:
    """Mean of the best five valid hops with a short contact, of ten tried."""
    index = reactive_strength(flight_height(pl.col("flight_time_s")), pl.col("contact_time_s"))
    short = pl.col("contact_time_s") <= SHORT_CONTACT_S
    counts = (pl.col("role") == "valid_hop") & short
    place = pl.when(counts).then(index).rank("ordinal", descending=True).over("trial_id")
    role = (
        pl.when(place <= FEWEST_HOPS)
        .then(pl.lit("best_hop"))
        .when((pl.col("role") == "valid_hop") & ~short)
        .then(pl.lit("invalid_hop"))
        .otherwise("role")
    )
    hops = hops.with_columns(index=index, role=role)
    valid = pl.col("role").is_in(["valid_hop", "best_hop"])
    mean = pl.col("index").filter(pl.col("role") == "best_hop").sort().mean()
    return _hop_values(
        _series_of(hops, valid, mean), "reactive_strength_index", pl.col("tried") != HOPS_TRIED
    )


def _hop_stiffness(hops: pl.DataFrame) -> pl.DataFrame:
    """Mean stiffness [kN/m] of the valid hops without load, where the session has a body mass."""
    plain = hops.filter(
        (pl.col("added_load_kg").fill_null(0.0) == 0.0) & pl.col("body_mass_kg").is_not_null()
    )
    valid = pl.col("role") == "valid_hop"
    stiffness = hop_stiffness(pl.col("body_mass_kg"), pl.col("contact_time_s"), pl.col("flight_time_s"))
    series = _series_of(plain, valid, (stiffness / 1000).filter(valid).sort().mean())
    mass = pl.struct(
        source_table=pl.lit("body_readings"), row_id=pl.col("body_mass_row_id"), role=pl.lit("body_mass")
    )
    provisional = pl.when(pl.col("body_mass_provisional")).then(pl.lit("mass_provisional"))
    weighed = series.with_columns(
        inputs=pl.concat_list("inputs", mass), flags=join_codes(pl.col("flags"), provisional)
    )
    return _hop_values(weighed, "hop_stiffness", pl.lit(False))

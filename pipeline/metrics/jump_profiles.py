"""Loaded jumps: the force-velocity line of an occasion, and what follows from it."""

from __future__ import annotations

import numpy as np
import polars as pl

from pipeline.metrics.fits import fit_value, fits_of, sentence
from pipeline.metrics.rows import by_occasion, codes_of, excluded, inputs_within, join_codes, values_of
from pipeline.numerics.force_velocity import JumpLines, fit_jump_lines, intercepts, slope_of_optimum
from pipeline.numerics.lines import pooled_variance
from pipeline.numerics.physics import flight_height

TABLE = "jump_trials"
TESTS = ("squat_jump", "countermovement_jump")
ATTEMPTED = 3
"""From so many loads on, a profile was meant; with fewer, nothing is said."""
FEWEST_LOADS = 4
RANGE_OF_MASS = 0.6
LOWEST_JUMP_M = 0.15
"""Loads must span so much of body mass, or bring a jump down to this (methods, D2)."""
MOST_SCATTER = 0.08
"""So far may heights scatter about the line, as a share of the height (SD of one trial); judgement."""
OLD_DAYS = 365
"""A push-off distance measured longer ago, or later, is provisional; judgement."""
METRICS = {
    "jump_f0": "f0",
    "jump_v0": "v0",
    "jump_pmax": "pmax",
    "jump_slope_of_optimum": "slope_share",
}
_PROFILE = ["session_id", "athlete_id", "device", "method_version", "test", "hands"]


def jump_profiles(rows: pl.DataFrame, masses: pl.DataFrame) -> pl.DataFrame:
    """F0 [N/kg], V0 [m/s], Pmax [W/kg] and the slope as % of the optimum of every occasion's loaded jumps.

    `rows`: `jump_trials` with flags and series keys; `masses`: see `occasions`. The residual variance of a
    line is pooled over everybody's, the test apart. Where a line is not good enough there is no value, and
    the codes say why.
    """
    lines = profile_lines(rows, masses)
    inputs = pl.col("inputs")
    parts = [
        values_of(
            lines,
            metric,
            pl.when("good").then(name),
            inputs,
            pl.col("flags"),
            keep_empty=True,
            error=pl.when("good").then(f"{name}_se"),
        )
        for metric, name in METRICS.items()
    ]
    return pl.concat(parts)


def jump_fits(rows: pl.DataFrame, masses: pl.DataFrame) -> pl.DataFrame:
    """The same lines as fits of the kind `jump_force_velocity`, accepted or refused."""
    lines = profile_lines(rows, masses)
    values = [
        fit_value("f0", "N/kg", pl.col("f0"), pl.col("f0_se")),
        fit_value("v0", "m/s", pl.col("v0"), pl.col("v0_se")),
        fit_value("pmax", "W/kg", pl.col("pmax"), pl.col("pmax_se")),
        fit_value("push_off_distance", "m", pl.col("push_off_distance_m")),
        fit_value("body_mass", "kg", pl.col("body_mass_kg")),
    ]
    told = lines.with_columns(n="loads", residual_sd=100 * pl.col("scatter"), why_not=sentence(pl.col("why")))
    return fits_of(told, "jump_force_velocity", "jump_f0", "%", values)


def profile_lines(rows: pl.DataFrame, masses: pl.DataFrame) -> pl.DataFrame:
    """One row a profile: `f0`, `v0`, `pmax`, `slope_share` with `_se`, loads, scatter, good, flags."""
    points = _points(rows, masses)
    groups = points.select(group=pl.struct(_PROFILE).rank("dense") - 1)["group"].cast(pl.Int64).to_numpy()
    push_off = points["push_off_distance_m"].fill_null(float("nan")).to_numpy()
    ratio = (1 + points["load_kg"] / points["body_mass_kg"]).fill_null(float("nan")).to_numpy()
    lines = fit_jump_lines(
        points["height_m"].to_numpy(), ratio, push_off, points["trials"].cast(pl.Int64).to_numpy(), groups
    )
    profiles = points.group_by(_PROFILE).agg(
        pl.exclude("inputs", "flags", "row_id").first(),
        row_id=pl.col("row_id").first(),
        loads=pl.len(),
        heaviest_kg=pl.col("load_kg").max() - pl.col("load_kg").min(),
        lowest_m=pl.col("height_m").min(),
        codes=codes_of(pl.col("flags")),
        inputs=pl.col("inputs").explode(),
    ).sort(pl.struct(_PROFILE))  # fmt: skip
    return _judged(profiles.with_columns(_numbers(profiles, lines)))


def _points(rows: pl.DataFrame, masses: pl.DataFrame) -> pl.DataFrame:
    """The mean height of each load of each occasion with enough loads, in the order of profiles and loads."""
    jumps = rows.filter(
        pl.col("test").is_in(TESTS) & (pl.col("leg") == "both") & ~excluded(pl.col("flags"))
    ).with_columns(load_kg=pl.col("added_load_kg").fill_null(0.0))
    loads = by_occasion(
        jumps,
        ["test", "hands", "load_kg"],
        height_m=flight_height(pl.col("flight_time_s")).sort().mean(),
        trials=pl.len(),
        flags=codes_of(pl.col("flags")),
        inputs=inputs_within(TABLE, pl.format("{} kg", pl.col("load_kg"))),
    ).with_columns(leg=pl.lit("both"))
    body = masses.select(
        "session_id",
        "body_mass_kg",
        "body_mass_row_id",
        "body_mass_provisional",
        "push_off_distance_m",
        "push_off_distance_row_id",
        "push_off_distance_age_days",
    )
    enough = loads.filter(pl.len().over(_PROFILE) >= ATTEMPTED)
    return enough.join(body, on="session_id", how="left", validate="m:1").sort(pl.struct(_PROFILE), "load_kg")


def _numbers(profiles: pl.DataFrame, lines: JumpLines) -> list[pl.Series]:
    """The values of each line with their errors, in the order of `profiles`."""
    pools = profiles["test"].rank("dense").cast(pl.Int64).to_numpy() - 1
    variance, _ = pooled_variance(lines.residual_ss, lines.df, pools)
    push_off = profiles["push_off_distance_m"].fill_null(float("nan")).to_numpy()
    found = {**intercepts(lines, variance), "slope_share": slope_of_optimum(lines, variance, push_off)}
    with np.errstate(divide="ignore", invalid="ignore"):
        scatter = np.sqrt(lines.residual_ss / lines.df)
    series = {name: value for name, (value, _) in found.items()}
    series |= {f"{name}_se": error for name, (_, error) in found.items()}
    return [
        pl.Series(name, values, dtype=pl.Float64).fill_nan(None)
        for name, values in {**series, "slope": lines.slope, "scatter": scatter}.items()
    ]


def _judged(profiles: pl.DataFrame) -> pl.DataFrame:
    """Profiles with `good`, the codes that say why not, and the rows of the body behind them."""
    unknown = pl.any_horizontal(pl.col("body_mass_kg", "push_off_distance_m").is_null())
    narrow = (pl.col("heaviest_kg") < RANGE_OF_MASS * pl.col("body_mass_kg")) & (
        pl.col("lowest_m") > LOWEST_JUMP_M
    )
    few = (pl.col("loads") < FEWEST_LOADS) | narrow.fill_null(False)
    rises = pl.col("f0").is_null()
    scattered = (pl.col("scatter") > MOST_SCATTER).fill_null(False)
    why = (
        pl.when(unknown)
        .then(pl.lit("push_off_unknown"))
        .when(few)
        .then(pl.lit("few_loads"))
        .when(rises)
        .then(pl.lit("line_not_falling"))
        .when(scattered)
        .then(pl.lit("points_off_line"))
    )
    old = ~pl.col("push_off_distance_age_days").is_between(0, OLD_DAYS)
    provisional = pl.when(pl.col("body_mass_provisional")).then(pl.lit("mass_provisional"))
    later = pl.when(old).then(pl.lit("length_provisional"))
    body = [
        pl.struct(source_table=pl.lit("body_readings"), row_id=pl.col(f"{what}_row_id"), role=pl.lit(what))
        for what in ("body_mass", "push_off_distance")
    ]
    known = pl.concat_list(*body).list.filter(pl.element().struct.field("row_id").is_not_null())
    return profiles.with_columns(
        why=why,
        good=why.is_null(),
        flags=join_codes(pl.col("codes"), why, provisional, later),
        inputs=pl.concat_list("inputs", known),
    )

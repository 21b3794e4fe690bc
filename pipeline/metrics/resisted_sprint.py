"""Resisted sprint: velocities and forces of each run from its trace, and lines over an occasion's runs."""

from __future__ import annotations

import polars as pl

from pipeline.metrics.fits import first_reason, fit_value, fits_of
from pipeline.metrics.resisted_forces import forces_of_runs, run_force_profiles, run_force_values
from pipeline.metrics.resisted_lines import line_profiles, line_values, load_lines
from pipeline.metrics.resisted_traces import FEWEST_STEPS, trace_numbers
from pipeline.metrics.rows import excluded, join_codes, thousandths, values_of, with_codes, with_series_keys
from pipeline.metrics.witness import CODE, PEAK_VELOCITY, TRACE_VELOCITY, code_where, disagrees
from pipeline.numerics.fastest import STRETCH_M

FAMILY = "resisted_sprint"
TABLE = "resisted_runs"

BACK_M = 0.05
"""So far may the position go back within a trace [m]; further is no run (methods, B5)."""
FORCE_SHARE = 0.10
"""A force on the plateau further than this share from the resistance as set (methods, failure 39)."""
PLATEAU_SHARE = 0.95
"""A mean over 5 m below this share of the run's modelled maximum is no plateau; judgement."""


def flag(trials: pl.DataFrame, samples: pl.DataFrame) -> pl.DataFrame:
    """`resisted_runs` with the codes that its mark and its trace give. `samples`: `resisted_samples`."""
    shown = trials.join(_looks(samples), on="sample_set_id", how="left", maintain_order="left")
    codes = {
        "trace_short": pl.col("short"),
        "trace_not_rising": pl.col("not_rising"),
        CODE: ~pl.col("not_rising") & disagrees(pl.col("told_m_s"), pl.col("mean_m_s"), TRACE_VELOCITY),
    }
    return with_codes(shown, codes).select(trials.columns)


def measure(trials: pl.DataFrame, masses: pl.DataFrame, samples: pl.DataFrame) -> pl.DataFrame:
    """Values of `resisted_runs` as `flag` returns them, long: velocities [m/s], forces [N, N/kg], loads.

    `samples`: the set `resisted_samples`. `masses`: session_id, body_mass_kg, body_mass_row_id,
    body_mass_provisional; only F0 and what follows need them. Force is the force in the line as measured; a
    setting never stands in for it.
    """
    runs = _with_numbers(trials, samples)
    other = disagrees(pl.col("witness_peak_velocity_m_s"), pl.col("fastest"), PEAK_VELOCITY)
    fastest = join_codes(pl.col("flags"), code_where(other))
    late = pl.when(pl.col("late")).then(pl.lit("start_not_recorded"))
    short = pl.when(~pl.col("reached")).then(pl.lit("plateau_not_reached"))
    off = (pl.col("plateau_force") / pl.col("resistance_n") - 1).abs() > FORCE_SHARE
    unmet = pl.when(off & (pl.col("resistance_n") > 0)).then(pl.lit("resistance_off"))
    plateau = join_codes(pl.col("flags"), short, late, unmet)
    parts = [
        values_of(runs, "resisted_plateau_velocity", pl.col("plateau"), flags=plateau),
        values_of(runs, "resisted_peak_velocity", pl.col("fastest"), flags=fastest),
        values_of(runs, "resisted_peak_force", pl.col("peak")),
        values_of(runs, "resisted_mean_force", pl.col("mean")),
        _sections(runs),
        line_values(load_lines(runs, masses)),
        run_force_values(forces_of_runs(runs, masses, samples)),
    ]
    return pl.concat(parts, how="diagonal")


def profiles(trials: pl.DataFrame, masses: pl.DataFrame, samples: pl.DataFrame) -> pl.DataFrame:
    """The sprint model of every trace, with force where it was measured, and the lines over the loads of an
    occasion (see `fits.fits_of`)."""
    runs = _with_numbers(trials, samples)
    parts = [
        _trace_profiles(runs),
        line_profiles(load_lines(runs, masses)),
        run_force_profiles(forces_of_runs(runs, masses, samples)),
    ]
    return pl.concat(parts, how="diagonal")


def _with_numbers(trials: pl.DataFrame, samples: pl.DataFrame) -> pl.DataFrame:
    """Runs with series keys, what their traces come to, and `reached`: whether their plateau is one."""
    runs = with_series_keys(trials).join(
        trace_numbers(samples), on="sample_set_id", how="left", maintain_order="left"
    )
    # Where the model says nothing of a run, neither does this.
    reached = (pl.col("plateau") >= PLATEAU_SHARE * pl.col("vmax")).fill_null(True)
    return runs.with_columns(reached=reached)


def _sections(runs: pl.DataFrame) -> pl.DataFrame:
    """Mean velocity of every 5 m from the start."""
    long = runs.with_columns(place=pl.int_ranges(pl.col("sections").list.len())).explode("sections", "place")
    begin = pl.col("place").cast(pl.Float64) * STRETCH_M
    named = long.with_columns(
        from_distance=thousandths(begin, "m"), distance=thousandths(begin + STRETCH_M, "m")
    )
    row = pl.concat_str("row_id", "distance", separator="\x1f")
    inputs = pl.concat_list(
        pl.struct(source_table=pl.lit(TABLE), row_id=pl.col("row_id"), role=pl.lit("run"))
    )
    return values_of(
        named.with_columns(inputs=inputs).with_columns(row_id=row),
        "resisted_section_velocity",
        pl.col("sections"),
        pl.col("inputs"),
    )


def _trace_profiles(runs: pl.DataFrame) -> pl.DataFrame:
    """The mono-exponential through each trace: no errors, because its samples hang together."""
    why_not = first_reason(
        [
            (excluded(pl.col("flags")), "The run does not count: its flags say why."),
            (pl.col("late"), "The run had begun before the first sample."),
            (pl.col("points") < FEWEST_STEPS, "The run is too short for a curve."),
            (pl.col("vmax").is_null(), "The trace follows no curve that levels off."),
        ]
    )
    values = [fit_value("vmax", "m/s", pl.col("vmax")), fit_value("tau", "s", pl.col("tau"))]
    judged = runs.with_columns(why_not=why_not, n=pl.col("points"))
    return fits_of(judged, "resisted_trace", "resisted_plateau_velocity", "m", values)


def _looks(samples: pl.DataFrame) -> pl.DataFrame:
    """sample_set_id, short (less than the stretch of a plateau), not_rising (time stands, position back),
    mean_m_s by position, told_m_s by the device's own velocities (trapezoids), NULL where one is missing."""
    place, time, speed = pl.col("position_m"), pl.col("time_s"), pl.col("velocity_m_s")
    lasted = time.last() - time.first()
    way = (time.diff() * (speed + speed.shift())).sum() / 2
    back = (place.cum_max() - place).max() > BACK_M
    return (
        samples.sort("sample_set_id", "time_s")
        .group_by("sample_set_id", maintain_order=True)
        .agg(
            short=place.max() - place.first() < STRETCH_M,
            not_rising=back | (time.diff().min() <= 0).fill_null(False),
            mean_m_s=(place.last() - place.first()) / lasted,
            told_m_s=pl.when(speed.null_count() == 0).then(way / lasted),
        )
    )

"""The load somebody can lift once, estimated from how the bar slows as loads grow, and its uncertainty."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from pipeline.numerics.lines import Floats, Lines, t_quantile

INTERVAL = 0.90
"""Level of the prediction interval."""


@dataclass(frozen=True)
class VelocityAtMaximum:
    """Mean velocity of a lift at its maximum [m/s] and its SD between people.

    `trained`: that of long-trained lifters, where a study says; the estimate by it is shown beside. Too low a
    velocity overstates the maximum, so the higher one is the default (methods, corrections 2).
    """

    velocity_m_s: float
    sd_m_s: float
    source: str
    trained_m_s: float | None = None


VELOCITIES_AT_MAXIMUM: dict[str, VelocityAtMaximum] = {
    "back_squat": VelocityAtMaximum(
        0.30,
        0.05,
        "Sanchez-Medina 2017, Sports Med Int Open 1:E80-88: 0.32 +- 0.03 (abstract seen); trained: Helms "
        "2017 (abstract seen); the SD is the larger of theirs",
        trained_m_s=0.23,
    ),
    "bench_press": VelocityAtMaximum(
        0.17,
        0.04,
        "Gonzalez-Badillo & Sanchez-Medina 2010, Int J Sports Med 31:347-352: 0.16 +- 0.04 (abstract seen); "
        "trained: Helms 2017 (abstract seen)",
        trained_m_s=0.10,
    ),
    "bench_pull": VelocityAtMaximum(0.50, 0.05, "Sanchez-Medina 2014 (from memory)"),
    "overhead_press": VelocityAtMaximum(0.20, 0.05, "from memory"),
    "hip_thrust": VelocityAtMaximum(0.25, 0.05, "from memory"),
}
"""Lifts for which an estimate is made by a borrowed velocity."""
NEVER_VALID = "deadlift"
"""No estimate is made of lifts whose name has this in it, by whatever velocity (Ruf 2018, title seen)."""


def borrowed_velocity(lift: str) -> tuple[float, float, float]:
    """Mean velocity of a lift at its maximum, its SD between people, and that of long-trained lifters [m/s].

    NaN where a study says none.
    """
    known = VELOCITIES_AT_MAXIMUM.get(lift)
    if known is None:
        return (np.nan, np.nan, np.nan)
    return (known.velocity_m_s, known.sd_m_s, np.nan if known.trained_m_s is None else known.trained_m_s)


@dataclass(frozen=True)
class Estimate:
    """Loads [kg] with the SD of their prediction error [kg] and the ends of the interval, (groups,) each."""

    load_kg: Floats
    sd_kg: Floats
    low_kg: Floats
    high_kg: Floats


def load_at_velocity(
    lines: Lines,
    velocity_m_s: Floats,
    velocity_sd: npt.ArrayLike,
    variance: Floats,
    df: Floats,
    velocity_df: npt.ArrayLike = np.inf,
) -> Estimate:
    """The load at which each line's lift would be done once at `velocity_m_s`.

    `lines`: load on velocity; `variance`, `df`: residual variance [kg²] of each and its degrees of freedom,
    pooled. Variance of the prediction: s² (1 + 1/n + (v - mean v)² / Sxx) + slope² sd(v)². `velocity_df`: the
    degrees of freedom of sd(v), infinite where large studies tell it. Those of the whole are both's together
    (Satterthwaite; methods, corrections 2).
    """
    line_part = variance + lines.variance_at(velocity_m_s, variance)
    person_part = lines.slope**2 * np.asarray(velocity_sd, dtype=np.float64) ** 2
    whole = line_part + person_part
    with np.errstate(divide="ignore", invalid="ignore"):
        freedom = whole**2 / (line_part**2 / df + person_part**2 / np.asarray(velocity_df))
    load = lines.at(velocity_m_s)
    half = t_quantile(freedom, INTERVAL) * np.sqrt(whole)
    return Estimate(load, np.sqrt(whole), load - half, load + half)

"""Witnesses: values that a device computed itself, set beside ours and never used for one.

A field whose name begins with `witness_` holds what a device says. Ours is always made from the raw
quantities; a witness far from it speaks for a wrong column, unit or setting, and is flagged.
"""

from __future__ import annotations

from dataclasses import dataclass

import polars as pl

CODE = "witness_disagrees"


@dataclass(frozen=True)
class Tolerance:
    """So far may a witness be from ours: `absolute` [its unit], what exports round off, and `share` of ours.

    Both are judgement: `share` leaves room for raw quantities that are exported in steps of 0.01 s.
    """

    absolute: float
    share: float


JUMP_HEIGHT = Tolerance(0.005, 0.02)
REACTIVE_STRENGTH = Tolerance(0.05, 0.05)
INTERVAL_SPEED = Tolerance(0.05, 0.02)
TRACE_VELOCITY = Tolerance(0.05, 0.05)
"""Of the mean over a trace, which a smoothed velocity that lags behind moves a little."""
PEAK_VELOCITY = Tolerance(0.05, 0.10)
"""Devices take the highest sample or a short mean, which noise lifts above our half second."""
BAR_PEAK_VELOCITY = Tolerance(0.05, 0.10)
"""Of a set's lifts: devices smooth more or less than we do."""
REPETITIONS = Tolerance(0.5, 0.0)
SKINFOLD_SUM = Tolerance(0.5, 0.02)
"""Sheets sum means or medians of readings, rounded or not."""
HIGHEST_FORCE = Tolerance(0.5, 0.01)


def disagrees(witness: pl.Expr, ours: pl.Expr, tolerance: Tolerance) -> pl.Expr:
    """Whether a witness is further from ours than rounding and definition explain; no, where one is NULL."""
    room = tolerance.absolute + tolerance.share * ours.abs()
    return ((witness - ours).abs() > room).fill_null(False)


def code_where(holds: pl.Expr) -> pl.Expr:
    """The code of witnesses that disagree, else NULL."""
    return pl.when(holds).then(pl.lit(CODE))

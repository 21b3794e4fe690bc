"""Simulated athletes: their true levels, and the tables that their tests would fill.

Every facility is a metric of its own, so that one run of the shipped steps serves many: errors and drift are
pooled within a metric and never between.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from datetime import date, timedelta

import numpy as np
import polars as pl

from pipeline.numerics.two_speeds import FAST
from schemas.catalogue import CATALOGUE, Metric, TypicalError
from schemas.frames import empty
from schemas.tables import TABLES

FIRST_DAY = date(2024, 1, 1)  # a Monday
LOOK_WEEKS = 24
RAMP_WEEKS = 8
BASELINE_SESSIONS = 3
TRIALS = 3
BETWEEN_ATHLETES = 10.0  # SD of levels, per cent: a smallest worthwhile change of about 2 %


@dataclass(frozen=True)
class Cell:
    """One set of circumstances. Errors, drift, learning and outliers in per cent; `gains` in MDC95 by share.

    `gains`: (share of the athletes, gain in MDC95 over eight weeks); all others stay as they are. `drift`:
    SD over 28 days of a random walk that everybody's level takes, `fast_share` of the athletes at four
    times that. `learning`: how far below the level the first two sessions are. `outliers`: share of
    sessions that are off by another 3 session errors (SD). `missed`: share of sessions.
    """

    name: str
    every_weeks: int = 1
    session_sd: float = 2.5
    trial_sd: float = 3.0
    drift: float = 0.0
    fast_share: float = 0.0
    learning: tuple[float, float] = (0.0, 0.0)
    outliers: float = 0.0
    missed: float = 0.0
    gains: tuple[tuple[float, float], ...] = field(default=())

    @property
    def error(self) -> float:
        """SD of a session's value, per cent."""
        return float(np.hypot(self.session_sd, self.trial_sd / np.sqrt(TRIALS)))

    @property
    def mdc(self) -> float:
        """MDC95 of two sessions, per cent."""
        return 1.96 * np.sqrt(2) * self.error


@dataclass(frozen=True)
class World:
    """What was simulated: the tables, the catalogue, and the truth, (athletes, sessions)."""

    frames: dict[str, pl.DataFrame]
    catalogue: dict[str, Metric]
    level: np.ndarray
    value: np.ndarray
    tested: np.ndarray
    gain: np.ndarray
    weeks: list[date]


def simulate(cell: Cell, facilities: int, athletes: int, seed: int) -> World:
    """`facilities` of `athletes` each, tested every `every_weeks` from the first Monday on."""
    rng = np.random.Generator(np.random.PCG64(seed))
    before = 1 + BASELINE_SESSIONS
    count = before + LOOK_WEEKS // cell.every_weeks
    n = facilities * athletes
    gain = _gains(cell, facilities, athletes)
    week = np.arange(count) * cell.every_weeks
    ramp = np.clip((week - week[before - 1]) / RAMP_WEEKS, 0, 1)
    level = (
        3.5 + rng.normal(0, BETWEEN_ATHLETES / 100, (n, 1)) + np.log1p(gain[:, None] * cell.mdc / 100) * ramp
    )
    pace = np.where(rng.random((n, 1)) < cell.fast_share, FAST, 1.0)
    step = pace * cell.drift / 100 * np.sqrt(7 * cell.every_weeks / 28)
    level = level + np.cumsum(rng.normal(0, 1, (n, count)) * step, axis=1)
    day = rng.normal(0, cell.session_sd / 100, (n, count))
    day += (rng.random((n, count)) < cell.outliers) * rng.normal(0, 3 * cell.error / 100, (n, count))
    day[:, :2] -= np.array(cell.learning) / 100
    trials = np.exp((level + day)[..., None] + rng.normal(0, cell.trial_sd / 100, (n, count, TRIALS)))
    tested = rng.random((n, count)) >= cell.missed
    tested[:, 0] = True
    days = [FIRST_DAY + timedelta(days=7 * int(w)) for w in week]
    weeks = [FIRST_DAY + timedelta(days=7 * w) for w in range(int(week[-1]) + 1)]
    catalogue = _catalogue(cell, facilities, rng)
    frames = _frames(trials, tested, days, athletes)
    return World(frames, catalogue, level, trials.mean(axis=2), tested, gain, weeks)


def _gains(cell: Cell, facilities: int, athletes: int) -> np.ndarray:
    """Each athlete's gain in MDC95, the same in every facility."""
    one = np.zeros(athletes)
    at = 0
    for share, gain in cell.gains:
        many = round(share * athletes)
        one[at : at + many] = gain
        at += many
    return np.tile(one, facilities)


def _catalogue(cell: Cell, facilities: int, rng: np.random.Generator) -> dict[str, Metric]:
    """The jump of each facility. Its borrowed session error is as far off as 10 degrees of freedom are."""
    shipped = CATALOGUE["jump_height"]
    off = np.sqrt(rng.chisquare(10, facilities) / 10)
    return {
        f"jump_{number}": shipped.model_copy(
            update={
                "metric": f"jump_{number}",
                "pool_keys": (),
                "typical_error": TypicalError(
                    trial=cell.trial_sd,
                    session=cell.error * float(at),
                    source="simulated",
                    verified="simulated",
                ),
            }
        )
        for number, at in enumerate(off)
    }


def _frames(
    trials: np.ndarray, tested: np.ndarray, days: list[date], athletes: int
) -> dict[str, pl.DataFrame]:
    """The tables that the steps read, as the steps before them would have made them."""
    n, _, k = trials.shape
    who, when = np.nonzero(tested)
    rows = (
        pl.DataFrame({"who": who, "when": when, "value": trials.mean(axis=2)[who, when]})
        .with_columns(
            athlete_id=pl.format("a{}", "who"),
            metric=pl.format("jump_{}", pl.col("who") // athletes),
            session_id=pl.format("s{}-{}", "who", "when"),
            local_date=pl.Series([days[at] for at in when]),
        )
        .with_columns(series_id=pl.col("metric"), first=pl.col("when") == pl.col("when").min().over("who"))
    )
    results = rows.with_columns(
        n_trials=pl.lit(k), unit=pl.lit("cm"), flags=pl.when("first").then(pl.lit("familiarisation"))
    )
    single = np.repeat(np.arange(who.size), k)
    measurements = rows[single].with_columns(value=pl.Series(trials[who, when].ravel()), used=pl.lit(True))
    sessions = rows.select(
        "session_id", "athlete_id", "local_date", age_years=pl.lit(25.0), available=pl.lit("yes")
    )
    series = rows.select("series_id", "metric").unique().sort("series_id")
    return {
        "results": _as("results", results),
        "measurements": measurements.select("series_id", "session_id", "value", "used"),
        "sessions": _as("sessions", sessions),
        "session_squads": empty(TABLES["session_squads"]),
        "events": empty(TABLES["events"]),
        "series": _as("series", series),
        "sexes": pl.DataFrame({"athlete_id": [f"a{i}" for i in range(n)], "sex": ["female"] * n}),
    }


def _as(name: str, frame: pl.DataFrame) -> pl.DataFrame:
    return pl.concat([empty(TABLES[name]), frame], how="diagonal_relaxed").select(empty(TABLES[name]).columns)

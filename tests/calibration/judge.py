"""The shipped verdicts of a simulated world, and those of three rules that people use instead."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import polars as pl

from pipeline.analysis.changes import followed_changes
from pipeline.analysis.drift import with_drift
from pipeline.analysis.reliability import reliability
from pipeline.analysis.usable import usable_sessions
from tests.calibration.athletes import BASELINE_SESSIONS, FIRST_DAY, Cell, World

SPAN = "since_baseline"


@dataclass(frozen=True)
class Judged:
    """What was called of each athlete at each session, (athletes, sessions); no interval: NaN."""

    better: np.ndarray
    worse: np.ndarray
    leaning: np.ndarray  # or better
    better_any_span: np.ndarray
    covered: np.ndarray
    expected_standing: float
    expected_new: float
    new_calls: int
    standing_calls: int
    drift: float


def usable_days(world: World) -> pl.DataFrame:
    """The usable sessions of a world."""
    parts = [world.frames[name] for name in ("results", "sessions", "session_squads", "events", "series")]
    return usable_sessions(*parts, world.catalogue)


def shipped(world: World, cell: Cell) -> Judged:
    """The verdicts on the change since baseline, by the very steps that a facility runs."""
    days = usable_days(world)
    registry = reliability(
        days, world.frames["measurements"], world.frames["sexes"], world.catalogue, world.weeks
    )
    registry = with_drift(registry, days, world.catalogue)
    followed = followed_changes(
        days, registry, world.frames["events"], world.frames["session_squads"], world.catalogue, "09-01"
    )
    followed = followed.with_columns(
        who=pl.col("athlete_id").str.slice(1).cast(pl.Int64),
        when=((pl.col("to_date") - FIRST_DAY).dt.total_days() // (7 * cell.every_weeks)).cast(pl.Int64),
    )
    own = followed.filter(pl.col("span") == SPAN)
    shape = world.level.shape

    def marked(rows: pl.DataFrame, *words: str) -> np.ndarray:
        hit = rows.filter(pl.col("verdict").is_in(words))
        found = np.zeros(shape, dtype=bool)
        found[hit["who"].to_numpy(), hit["when"].to_numpy()] = True
        return found

    better, worse = marked(own, "better"), marked(own, "worse")
    standing = better | worse
    before = np.zeros_like(standing)
    before[:, 1:] = standing[:, :-1]
    return Judged(
        better,
        worse,
        marked(own, "leaning_better", "better"),
        marked(followed, "better"),
        _covered(world, own),
        float(own["false_standing"].sum()),
        float(own["false_new"].sum()),
        int((standing & ~before).sum()),
        int(standing.sum()),
        float(registry.filter(pl.col("week") == pl.col("week").max())["drift"].mean()),
    )


def _covered(world: World, own: pl.DataFrame) -> np.ndarray:
    """Whether the interval held the truth: the level of the day less the mean of the baseline's."""
    who, when = own["who"].to_numpy(), own["when"].to_numpy()
    covered = np.full(world.level.shape, np.nan)
    counted = world.tested.copy()
    counted[:, 0] = False
    place = np.cumsum(counted, axis=1) - 1
    for athlete, session, low, high in zip(
        who, when, own["change_percent_low"].to_numpy(), own["change_percent_high"].to_numpy(), strict=True
    ):
        base = counted[athlete] & (place[athlete] < BASELINE_SESSIONS) & (np.arange(place.shape[1]) < session)
        truth = 100 * np.expm1(world.level[athlete, session] - world.level[athlete, base].mean())
        covered[athlete, session] = low <= truth <= high
    return covered


def rules(world: World, cell: Cell) -> dict[str, np.ndarray]:
    """What three rules call better at each session, (athletes, sessions), from the same values."""
    value = np.where(world.tested, world.value, np.nan)
    filled = np.where(np.isnan(value), -np.inf, value)
    best_before = np.full(value.shape, np.inf)
    best_before[:, 1:] = np.maximum.accumulate(filled, axis=1)[:, :-1]
    since_first = 100 * (value / value[:, :1] - 1)
    with np.errstate(invalid="ignore"):
        return {
            "last beats previous best": value > best_before,
            "last minus first beyond MDC": since_first > cell.mdc,
            "change over 5 %": since_first > 5.0,
        }

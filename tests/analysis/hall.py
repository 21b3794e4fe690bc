"""A made-up hall whose athletes are tested a few a week, come, leave, move, and have birthdays."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date, timedelta

import numpy as np
import polars as pl

from pipeline.analysis.norms import norm_weeks
from tests.analysis.test_norms import Row, results_of, roster

FIRST = date(2024, 1, 1)
MEAN, SD = 38.0, 5.0  # of jump heights [cm]
SPORTS = ("rowing", "handball", "hockey")


@dataclass(frozen=True)
class Hall:
    """Results, people and weekly states, as `weekly_norms` takes them; the last day."""

    results: pl.DataFrame
    people: pl.DataFrame
    states: pl.DataFrame
    as_of: date


def hall(seed: int, athletes: int = 60, weeks: int = 70, a_week: float = 0.12) -> Hall:
    """Some athletes, a share of whom is tested in each week, once they have come and until they leave.

    Some are 17 and turn 18; some change their sport, or get another level; a few test twice in a week.
    """
    rng = np.random.default_rng(seed)
    who = [f"a{i:03d}" for i in range(athletes)]
    level = rng.normal(MEAN, SD, athletes)
    came = np.where(rng.random(athletes) < 0.7, 0, rng.integers(0, weeks, athletes))
    left = np.where(rng.random(athletes) < 0.8, weeks, rng.integers(1, weeks + 1, athletes))
    rows: list[Row] = []
    for week in range(weeks):
        tested = (rng.random(athletes) < a_week) & (came <= week) & (week < left)
        tested |= (came == week) & (week < left)
        for one in np.flatnonzero(tested):
            for _ in range(1 + int(rng.random() < 0.1)):
                day = FIRST + timedelta(days=7 * week + int(rng.integers(0, 6)))
                rows.append((who[one], day, float(rng.normal(level[one], 2.0)), None))
    born = FIRST - timedelta(days=18 * 365 + 4)
    births = [born + timedelta(days=int(d)) for d in rng.integers(-700, 7 * weeks + 200, athletes)]
    people = roster(who).with_columns(birth_date=pl.Series(births))
    results = results_of(rows, "jump_height")
    as_of = FIRST + timedelta(days=7 * weeks - 1)
    sport, other = rng.integers(0, 3, athletes), rng.integers(0, 3, athletes)
    moved = np.where(rng.random(athletes) < 0.2, rng.integers(0, weeks, athletes), weeks)
    risen = np.where(rng.random(athletes) < 0.5, rng.integers(0, weeks, athletes), weeks)
    states = pl.DataFrame(
        [
            {"athlete_id": who[i], "week": monday,
             "sport": SPORTS[sport[i] if w < moved[i] else other[i]], "position": None,
             "competition_level": "senior" if w >= risen[i] else "junior"}
            for w, monday in enumerate(norm_weeks(results, as_of)) for i in range(athletes)
        ],
        schema_overrides={"position": pl.String},
    )  # fmt: skip
    return Hall(results, people, states, as_of)

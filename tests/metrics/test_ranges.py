"""Ranges of motion beside the athlete's own: the same as a plain loop finds."""

from __future__ import annotations

import datetime as dt
from typing import Any

import numpy as np
import polars as pl
import pytest

from pipeline.metrics.ranges import FEWEST, OTHER, SHARE, partial_repetitions, ranges_changed
from tests.metrics.trial_rows import DAY, lift, trial_rows


@pytest.mark.mode(44)
@pytest.mark.mode(45)
@pytest.mark.parametrize("seed", range(4))
def test_as_a_plain_loop_finds(seed: int) -> None:
    rng = np.random.default_rng(seed)
    rows: list[dict[str, Any]] = [
        lift(
            athlete_id=athlete,
            variant=variant,
            day=DAY + dt.timedelta(days=day),
            set=number,
            rep=rep,
            range_of_motion_m=None if rng.random() < 0.1 else float(way * rng.normal(1, 0.04)),
        )
        for athlete in ("A1", "A2")
        for variant in (None, "to a box")
        for day in range(rng.integers(1, 5))
        for number in range(1, 4)
        for way in [rng.choice([0.6, 0.6, 0.6, 0.5, 0.7, 0.3])]
        for rep in range(1, rng.integers(2, 5))
    ]
    reps = trial_rows("bar_reps", *rows)
    known = [row for row in reps.iter_rows(named=True) if row["range_of_motion_m"] is not None]
    lifts = {(row["athlete_id"], row["variant"]) for row in known}
    partial, changed = set(), set()
    for own in ([row for row in known if (row["athlete_id"], row["variant"]) == one] for one in lifts):
        usual = np.median([row["range_of_motion_m"] for row in own])
        if len(own) >= FEWEST:
            partial |= {row["row_id"] for row in own if row["range_of_motion_m"] < SHARE * usual}
        whole = [row for row in own if row["row_id"] not in partial]
        for day, number in {(row["local_date"], row["set"]) for row in whole}:
            others = [row["range_of_motion_m"] for row in whole if row["local_date"] != day]
            of_set = [row for row in whole if (row["local_date"], row["set"]) == (day, number)]
            way = np.median([row["range_of_motion_m"] for row in of_set])
            if len(others) >= FEWEST and abs(way / np.median(others) - 1) > OTHER:
                changed |= {row["row_id"] for row in of_set}
    assert set(partial_repetitions(reps)["row_id"]) == partial
    assert set(ranges_changed(reps)["row_id"]) == changed
    assert changed


def test_no_repetitions_have_no_range() -> None:
    nothing = trial_rows("bar_reps").clear()
    assert partial_repetitions(nothing).is_empty() and ranges_changed(nothing).is_empty()
    unknown = trial_rows("bar_reps", lift(), lift(rep=2))
    assert isinstance(unknown, pl.DataFrame) and ranges_changed(unknown).is_empty()

"""Noise of one trial, pooled within occasions, with the published figure beside our own."""

from __future__ import annotations

import math

import polars as pl
import pytest

from pipeline.metrics.contact_mat import flag
from pipeline.metrics.noise import PUBLISHED_DEGREES, trial_noise
from pipeline.metrics.rows import with_series_keys
from tests.metrics.trial_rows import jump, trial_rows

SAME = ("test", "leg", "hands")


def noise(*rows: dict[str, object], metric: str = "contact_time") -> list[float | None]:
    trials = with_series_keys(flag(trial_rows("jump_trials", *rows)))
    return trial_noise(trials, metric, pl.col("flight_time_s"), SAME, "test").to_list()


def test_within_occasions_and_pooled_over_them() -> None:
    """Two occasions with log distances 0.02 and 0.04: sqrt((0.02² + 0.04²) / 2 / 2)."""
    rows = [jump(flight_time_s=0.5), jump(flight_time_s=0.5 * math.exp(0.02))]
    rows += [
        jump(flight_time_s=0.6, athlete_id="A2"),
        jump(flight_time_s=0.6 * math.exp(0.04), athlete_id="A2"),
    ]
    assert noise(*rows) == pytest.approx([math.sqrt((0.02**2 + 0.04**2) / 4)] * 4)


def test_other_tests_and_values_that_do_not_count_say_nothing() -> None:
    rows = [jump(flight_time_s=0.5), jump(flight_time_s=0.5 * math.exp(0.02))]
    more = [jump(test="squat_jump", flight_time_s=0.4), jump(flight_time_s=0.9, mark="failed")]
    assert noise(*rows, *more) == pytest.approx([0.02 / math.sqrt(2)] * 2 + [None, 0.02 / math.sqrt(2)])


def test_a_published_figure_counts_like_ten_degrees() -> None:
    """3.5 % of a trial of jump_height, blended by degrees of freedom (methods, C4)."""
    rows = [jump(flight_time_s=0.5), jump(flight_time_s=0.5 * math.exp(0.02))]
    blended = math.sqrt((PUBLISHED_DEGREES * 0.035**2 + 0.02**2 / 2) / (PUBLISHED_DEGREES + 1))
    assert noise(*rows, metric="jump_height") == pytest.approx([blended] * 2)
    assert noise(jump(), metric="jump_height") == pytest.approx([0.035])
    assert noise(jump()) == [None]

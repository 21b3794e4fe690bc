"""The local level against a dense Gaussian model, and what surprises and new starts do."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from pipeline.numerics.level_pass import Levels
from pipeline.numerics.local_level import Rows, Sessions, compare, follow


def sessions(value, day, trials=None, anew=(), place=None) -> Sessions:
    n = len(value)
    fresh = np.zeros(n, dtype=bool)
    fresh[list(anew)] = True
    return Sessions(
        np.asarray(value, dtype=float),
        np.asarray(day, dtype=float),
        np.ones(n) if trials is None else np.asarray(trials, dtype=float),
        fresh,
        np.arange(n) if place is None else np.asarray(place),
    )


def rows(size, between=0.0, within=2.0, drift=0.02, first=None) -> Rows:
    size = np.atleast_1d(size)
    first = np.cumsum(size) - size if first is None else np.atleast_1d(first)
    return Rows(first, size, *(np.full(size.size, float(v)) for v in (between, within, drift)))


def dense(value, day, noise, drift, seen):
    """Mean and covariance of the levels at all days given the first `seen` values; by precisions."""
    n = len(value)
    step = np.diff(np.eye(n), axis=0)
    told = np.where(np.arange(n) < seen, 1 / np.asarray(noise, float), 0.0)
    precision = step.T @ np.diag(1 / (drift * np.diff(np.asarray(day, float)))) @ step + np.diag(told)
    covariance = np.linalg.inv(precision)
    return covariance @ (told * np.asarray(value, float)), covariance, n


def test_the_worked_path_of_the_methods() -> None:
    """Prior 40 ± 100, noise 1.96, drift 0.02 a day: levels and variances to four digits."""
    value, day = [40, 40, 40.8, 40.2, 41.5, 41.9, 43.0], [0, 0, 3, 7, 21, 28, 60]
    found = follow(sessions(value, day, [1.96e-4, *[1] * 6]), rows(7, within=1.96), np.inf)
    assert found.then[1:] == pytest.approx([40.0, 40.4060, 40.3330, 40.7205, 41.0595, 41.7977], abs=5e-5)
    assert found.then_variance[1:] == pytest.approx(
        [1.9596, 0.9947, 0.6941, 0.6507, 0.5634, 0.7456], abs=5e-5
    )


series = st.lists(st.tuples(st.floats(-2, 2), st.integers(1, 40), st.integers(1, 4)), min_size=2, max_size=9)


@settings(max_examples=60, deadline=None)
@given(series, st.floats(0.001, 0.5))
def test_levels_are_those_of_the_dense_model(data, drift: float) -> None:
    value, gap, trials = zip(*data, strict=True)
    day = np.cumsum(gap)
    noise = 0.5 + 1.5 / np.array(trials)
    found = follow(sessions(value, day, trials), rows(len(value), 0.5, 1.5, drift), np.inf)
    level, covariance, n = dense(value, day, noise, drift, len(value))
    assert found.level == pytest.approx(level, abs=1e-4)
    assert found.variance == pytest.approx(np.diag(covariance), rel=1e-4, abs=1e-5)
    for seen in range(1, n + 1):
        then, then_covariance, _ = dense(value, day, noise, drift, seen)
        assert found.then[seen - 1] == pytest.approx(then[seen - 1], abs=1e-4)
        assert found.then_variance[seen - 1] == pytest.approx(then_covariance[seen - 1, seen - 1], rel=1e-4)


@settings(max_examples=60, deadline=None)
@given(series, st.floats(0.001, 0.5), st.integers(0, 3), st.integers(1, 3))
def test_a_change_has_the_variance_of_the_dense_model(data, drift: float, first: int, size: int) -> None:
    """Level now less the mean level of the anchor's sessions, with all their covariances."""
    value, gap, _ = zip(*data, strict=True)
    n, day = len(value), np.cumsum(gap)
    first = min(first, n - 2)
    size = min(size, n - 1 - first)
    value = np.array(value) * 0.1  # small, so that nothing is a surprise
    found = compare(sessions(value, day), rows(n, 0.5, 1.5, drift), np.array([[first]]), np.array([[size]]))
    level, covariance, _ = dense(value, day, np.full(n, 2.0), drift, n)
    weight = np.zeros(n)
    weight[first : first + size] = 1 / size
    now = np.eye(n)[-1]
    assert found.anchor[0, 0] == pytest.approx(weight @ level, abs=1e-4)
    assert found.change_variance[0, 0] == pytest.approx(
        (now - weight) @ covariance @ (now - weight), rel=1e-3, abs=1e-5
    )
    assert found.gain[0, 0] == pytest.approx((now - weight) @ covariance @ now, rel=1e-3, abs=1e-5)


def weights(day, drift, first, size):
    """How much each value counts in level less anchor: the estimate is linear in them."""
    n = len(day)
    one = [
        compare(sessions(np.eye(n)[at] * 1e-6, day), rows(n, 0, 2.0, drift), first, size) for at in range(n)
    ]
    return np.array([(c.level - c.anchor[0])[0] for c in one]) * 1e6


def test_the_variance_of_an_estimate_of_nothing() -> None:
    """Where the truth stands still an estimate is a weighted sum of noise; so is that of the look before."""
    day, drift = np.array([0, 7, 14, 30, 37, 50, 90]), 0.05
    first, size = np.array([[0]]), np.array([[3]])
    now, before = weights(day, drift, first, size), np.append(weights(day[:-1], drift, first, size), 0)
    found = compare(sessions(np.zeros(7), day), rows(7, 0, 2.0, drift), first, size)
    assert found.null_variance[0, 0] == pytest.approx(2 * now @ now, rel=1e-6)
    assert found.before_null_variance[0, 0] == pytest.approx(2 * before @ before, rel=1e-6)
    assert found.null_covariance[0, 0] == pytest.approx(2 * now @ before, rel=1e-6)


def test_a_start_carries_nothing_over() -> None:
    value, day = [10, 11, 10, 30, 31, 32], [0, 7, 14, 21, 28, 35]
    whole = follow(sessions(value, day, anew=[3]), rows(6))
    parts = [follow(sessions(value[at], day[at]), rows(3)) for at in (slice(3), slice(3, 6))]
    assert whole.level == pytest.approx(np.concatenate([part.level for part in parts]))
    assert whole.variance == pytest.approx(np.concatenate([part.variance for part in parts]))
    against = compare(sessions(value, day, anew=[3]), rows(6), np.array([[0]]), np.array([[3]]))
    apart = against.variance + against.anchor_variance[0]
    assert against.change_variance[0] == pytest.approx(apart)  # two levels that share nothing


STILL = [10.0, 10.5, 9.7, 10.2, 10.1, 9.9]


def shifted(after: list[float]) -> Levels:
    value = STILL + after
    return follow(sessions(value, np.arange(len(value)) * 7), rows(len(value), within=0.25, drift=0.001))


def test_one_wild_value_hardly_moves_the_level() -> None:
    found = shifted([14.0, 10.0, 10.1])
    assert found.surprise.tolist() == [False] * 6 + [True, False, False]
    assert abs(found.level[-1] - 10) < 0.3 and abs(found.then[6] - 10) < 0.6


def test_a_second_value_that_agrees_makes_it_a_new_level() -> None:
    found = shifted([14.0, 14.2])
    assert not found.surprise.any() and found.anew.tolist()[6:] == [True, False]
    assert abs(found.level[-1] - 14.1) < 0.2 and abs(found.level[5] - 10) < 0.2
    assert abs(found.then[6] - 10) < 0.6  # as it was known that day


def test_a_second_wild_value_that_disagrees_does_not() -> None:
    found = shifted([14.0, 6.0, 10.0])
    assert found.surprise.tolist()[6:] == [True, True, False]
    assert abs(found.level[-1] - 10) < 0.3


def test_an_anchor_after_a_shift_knows_only_the_new_level() -> None:
    value = [*STILL, 14.0, 14.2]
    day = np.arange(8) * 7
    found = compare(sessions(value, day), rows(8, within=0.25, drift=0.001), np.array([[0]]), np.array([[3]]))
    early = follow(sessions(value[:6], day[:6]), rows(6, within=0.25, drift=0.001))
    assert found.anchor[0, 0] == pytest.approx(early.level[:3].mean(), abs=1e-3)
    assert found.level[0] - found.anchor[0, 0] == pytest.approx(4, abs=0.3)


def test_rows_of_any_length_and_number_do_not_touch_each_other() -> None:
    rng = np.random.default_rng(2)
    size = rng.integers(1, 12, 5000)
    value, day = rng.normal(0, 3, size.sum()), rng.integers(1, 9, size.sum()).cumsum()
    all_rows = rows(size, 0.3, 1.0, 0.05)
    together = follow(sessions(value, day), all_rows)
    for at in (0, 17, 2048, 4999):
        begin = all_rows.first[at]
        part = slice(begin, begin + size[at])
        alone = follow(sessions(value[part], day[part]), rows(size[at], 0.3, 1.0, 0.05))
        assert np.array_equal(together.level[part], alone.level)
        assert np.array_equal(together.surprise[part], alone.surprise)


def test_places_that_an_anchor_may_not_use_are_passed_over() -> None:
    """Places number the sessions that count: the second is not one of them."""
    value, day = [10.0, 50.0, 10.2, 10.1, 10.0], [0, 1, 7, 14, 21]
    found = compare(
        sessions(value, day, place=[0, -1, 1, 2, 3]), rows(5, within=400.0), np.array([[0]]), np.array([[2]])
    )
    level, covariance, _ = dense(value, day, np.full(5, 400.0), 0.02, 5)
    assert found.anchor[0, 0] == pytest.approx((level[0] + level[2]) / 2, abs=1e-3)
    weight = np.array([-0.5, 0, -0.5, 0, 1])
    assert found.change_variance[0, 0] == pytest.approx(weight @ covariance @ weight, rel=1e-3)

"""Odds, words, what would settle a change, and how often a word is wrong."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import stats

from pipeline.numerics.verdicts import (
    Odds,
    Settling,
    false_call,
    false_call_twice,
    half_width,
    odds,
    sessions_needed,
    upper_both,
    verdict,
)


def of(*values: float) -> np.ndarray:
    return np.array(values, dtype=float)


sizes, errors = st.floats(-20, 20), st.floats(0.1, 10)


@given(sizes, errors, st.floats(2, 200), st.floats(0.1, 5))
def test_odds_add_up_and_turn_with_the_sign(
    change: float, error: float, degrees: float, matters: float
) -> None:
    p = odds(of(change), of(error), of(degrees), of(matters))
    turned = odds(of(-change), of(error), of(degrees), of(matters))
    assert p.up + p.within + p.down == pytest.approx(1)
    assert (p.up[0], p.within[0]) == (
        pytest.approx(turned.down[0]),
        pytest.approx(turned.within[0], abs=1e-12),
    )
    assert p.up[0] == pytest.approx(stats.t.sf((matters - change) / error, degrees), abs=1e-12)


def test_the_interval_is_scipys_t() -> None:
    assert half_width(of(2.0), of(7.0))[0] == pytest.approx(2 * stats.t.ppf(0.95, 7))


def word(p: float, before: float, sure: bool = True, higher: bool = True, within: float = 0.0) -> str:
    now = Odds(of(p), of(within), of(1 - p - within))
    then = Odds(of(before), of(0.0), of(1 - before))
    return str(verdict(now, then, np.array([higher]), np.array([sure]))[0])


def test_the_words_of_the_contract() -> None:
    assert word(0.91, 0.5) == "better" and word(0.91, 0.5, higher=False) == "worse"
    assert word(0.91, 0.5, sure=False) == "cannot_tell"
    assert word(0.91, 0.8, sure=False) == word(0.8, 0.81) == "leaning_better"
    assert word(0.8, 0.8, higher=False) == "leaning_worse"
    assert word(0.8, 0.79) == word(0.8, np.nan) == "cannot_tell"
    assert word(0.1, 0.5, within=0.76) == "no_clear_change"


def test_a_past_baseline_cannot_grow() -> None:
    """Two baseline sessions at an error of 3.04: the half width never falls below 3.5 (corrections, 6)."""
    noise, baseline = 3.04**2, 3.04**2 / 2
    variance = baseline + noise
    many = Settling(of(2.0), of(1e6), np.array([0]))
    assert sessions_needed(of(2.5), of(variance), of(noise), of(noise), of(noise), many)[0] == -1
    found = sessions_needed(of(6.0), of(variance), of(noise), of(noise), of(noise), many)[0]
    for more, enough in ((found - 1, False), (found, True)):
        error = np.sqrt(baseline + noise / (more + 1))
        assert (odds(of(6.0), of(error), of(1e6), of(2.0)).up[0] >= 0.90) == enough


def test_what_is_settled_needs_no_more_but_what_the_rules_ask() -> None:
    sure = Settling(of(1.0), of(50.0), np.array([0]))
    assert sessions_needed(of(9.0), of(1.0), of(0.5), of(0.5), of(1.0), sure)[0] == 0
    assert (
        sessions_needed(of(9.0), of(1.0), of(0.5), of(0.5), of(1.0), sure._replace(at_least=np.array([2])))[0]
        == 2
    )
    within = sessions_needed(of(0.0), of(0.1), of(0.05), of(0.05), of(1.0), sure)[0]
    assert within == 0


@pytest.mark.parametrize(
    ("one", "two", "r"), [(1, 0.5, 0.3), (2, 1.8, 0.95), (-0.5, 1, -0.6), (2.5, 2.5, 0.99)]
)
def test_two_normals_beyond_two_bars_are_scipys(one: float, two: float, r: float) -> None:
    whole = stats.multivariate_normal([0, 0], [[1, r], [r, 1]]).cdf([-one, -two])
    assert upper_both(of(one), of(two), of(r))[0] == pytest.approx(whole, abs=1e-6)


def test_false_calls_are_those_that_noise_makes() -> None:
    """A million estimates of nothing whose true error is as uncertain as its degrees of freedom say."""
    rng = np.random.default_rng(3)
    degrees, assumed, matters, r = 10, 1.5, 0.4, 0.7
    true = assumed * np.sqrt(degrees / rng.chisquare(degrees, 1_000_000))
    both = rng.multivariate_normal([0, 0], [[1, r], [r, 1]], 1_000_000) * true[:, None]
    error = 1.3
    bar = matters + stats.t.ppf(0.9, degrees) * error
    arguments = of(degrees), of(matters), 0.9
    once = false_call(of(error), of(assumed), *arguments)[0]
    look = (of(error), of(assumed))
    twice = false_call_twice(look, look, of(r * assumed**2), *arguments)[0]
    assert (both[:, 0] > bar).mean() == pytest.approx(once, rel=0.02)
    assert (both > bar).all(axis=1).mean() == pytest.approx(twice, rel=0.08)

"""What a change is likely to be, in which word that is said, and how often the word would be wrong.

A change is an estimate with a t distribution about it: its standard error from the local level, its degrees
of freedom from how well the error of measurement is known. Beside the level's own drift nothing is assumed
of it beforehand (a flat prior), so the three probabilities are areas of that distribution.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray
from scipy.special import chdtri, ndtr, stdtr, stdtrit

from pipeline.numerics.percentiles import Floats, Ints

LEVEL = 0.90  # of every interval
SURE = 0.90  # methods, C5
LEANING = 0.80  # of two looks, one after the other: the 0.75 of one look leaned falsely too often (simulated)
WITHIN = 0.75  # methods, C5
MOST_SESSIONS = 50  # a baseline that asks for more cannot settle it
_TAILS = (np.arange(8) + 0.5) / 8
_NODES, _WEIGHTS = np.polynomial.legendre.leggauss(20)
_AT_ONCE = 10_000  # changes whose integrals are worked out at once: twenty numbers each, several times

Words = NDArray[np.str_]
Bools = NDArray[np.bool_]


class Odds(NamedTuple):
    """Chances that a change is beyond the smallest worthwhile one upward, within it, beyond it downward."""

    up: Floats
    within: Floats
    down: Floats


def odds(change: Floats, error: Floats, degrees: Floats, worthwhile: Floats) -> Odds:
    """The odds of changes, all on the analysis scale, (n,); `worthwhile` is above 0."""
    up = stdtr(degrees, (change - worthwhile) / error)
    down = stdtr(degrees, (-worthwhile - change) / error)
    return Odds(up, np.maximum(1 - up - down, 0.0), down)


def half_width(error: Floats, degrees: Floats) -> Floats:
    """Half the 90 % interval."""
    return np.asarray(stdtrit(degrees, (1 + LEVEL) / 2) * error)


def verdict(p: Odds, before: Odds, higher_is_better: Bools, may_be_sure: Bools) -> Words:
    """The contract's word for each change, (n,).

    `better` and `worse` only where `may_be_sure` (two sessions on either side, a level that is followed).
    Leaning asks for the look `before` to have leaned the same way (NaN where there was none: then it did
    not).
    """
    better, worse = _turn(p, higher_is_better)
    better_before, worse_before = _turn(before, higher_is_better)
    conditions = [
        may_be_sure & (better >= SURE),
        may_be_sure & (worse >= SURE),
        (better >= LEANING) & (better_before >= LEANING),
        (worse >= LEANING) & (worse_before >= LEANING),
        p.within >= WITHIN,
    ]
    words = ["better", "worse", "leaning_better", "leaning_worse", "no_clear_change"]
    return np.select(conditions, words, default="cannot_tell")


def _turn(p: Odds, higher_is_better: Bools) -> tuple[Floats, Floats]:
    return np.where(higher_is_better, p.up, p.down), np.where(higher_is_better, p.down, p.up)


class Settling(NamedTuple):
    """What settles a change, (n,): the smallest worthwhile one, degrees of freedom, sessions at the least."""

    worthwhile: Floats
    degrees: Floats
    at_least: Ints


def sessions_needed(
    change: Floats, variance: Floats, gain: Floats, level_variance: Floats, noise: Floats, rules: Settling
) -> Ints:
    """Further sessions until the odds settle it, should the estimate stay where it is; -1: they never do.

    The baseline cannot grow: what m sessions soon after can take from the variance of the change is
    gain² / (level_variance + noise / m), `gain` being the covariance of the change with the level. All (n,).
    """
    target = _settling_error(np.abs(change), rules) ** 2
    with np.errstate(divide="ignore", invalid="ignore"):
        room = gain**2 / (variance - target) - level_variance
        exact = noise / room
    needed = np.where(variance <= target, 0.0, np.where((room > 0), np.ceil(exact), -1.0))
    needed = np.where((needed > MOST_SESSIONS) | ~np.isfinite(needed), -1.0, needed)
    return np.where(needed < 0, -1, np.maximum(needed, rules.at_least)).astype(np.int64)


def _settling_error(size: Floats, rules: Settling) -> Floats:
    """The largest standard error at which a change of that size is settled."""
    settled = np.asarray(np.maximum((size - rules.worthwhile) / stdtrit(rules.degrees, SURE), 0.0))
    inside = np.flatnonzero(~(size > rules.worthwhile))
    size, degrees, worthwhile = size[inside], rules.degrees[inside], rules.worthwhile[inside]
    low, high = np.zeros_like(size), 4 * worthwhile
    for _ in range(40):  # P(within) falls as the error grows
        middle = (low + high) / 2
        enough = odds(size, np.maximum(middle, 1e-300), degrees, worthwhile).within >= WITHIN
        low, high = np.where(enough, middle, low), np.where(enough, high, middle)
    settled[inside] = low
    return settled


def false_call(error: Floats, null_error: Floats, degrees: Floats, worthwhile: Floats, p: float) -> Floats:
    """Chance that the odds of one direction reach `p` though nothing changed: one look, one direction, (n,).

    `null_error`: SD of the estimate were nothing to change and the error of measurement as assumed. That is
    itself known to `degrees` degrees of freedom only, so the estimate is t distributed about nothing.
    """
    return np.asarray(stdtr(degrees, -_bar(error, null_error, degrees, worthwhile, p)))


def false_call_twice(
    now: tuple[Floats, Floats],
    before: tuple[Floats, Floats],
    covariance: Floats,
    degrees: Floats,
    worthwhile: Floats,
    p: float,
) -> Floats:
    """Chance that they do at this look and at the one before; `now`, `before`: error and null error, (n,).

    `covariance` is that of the two estimates where the truth stands still. The mean over what the true
    error of measurement may be: eight values of the chi-square distribution that are equally likely.
    """
    one, two = (_bar(*look, degrees, worthwhile, p) for look in (now, before))
    with np.errstate(divide="ignore", invalid="ignore"):
        r = np.clip(covariance / (now[1] * before[1]), -0.999999, 0.999999)
    total = np.zeros_like(one)
    for tail in _TAILS:
        shrunk = np.sqrt(chdtri(degrees, tail) / degrees)  # assumed error over true error
        total = total + upper_both(one * shrunk, two * shrunk, r)
    return total / _TAILS.size


def _bar(error: Floats, null_error: Floats, degrees: Floats, worthwhile: Floats, p: float) -> Floats:
    """How many of its own SDs an estimate of nothing must be off to reach the odds `p`."""
    with np.errstate(divide="ignore", invalid="ignore"):
        return np.asarray((worthwhile + stdtrit(degrees, p) * error) / null_error)


def upper_both(one: Floats, two: Floats, r: Floats) -> Floats:
    """P(X > one, Y > two) of standard normal X, Y with correlation r, (n,).

    Phi(-one) Phi(-two) + 1 / 2 pi times the integral over 0 to asin r of exp(-(a² + b² - 2 a b sin t) / (2
    cos² t)) (Sheppard 1900, as in Drezner & Wesolowsky 1990, J Stat Comput Simul 35:101-107), by 20
    Gauss-Legendre nodes.
    """
    area = np.empty_like(one)
    for start in range(0, one.size, _AT_ONCE):
        part = slice(start, start + _AT_ONCE)
        end = np.arcsin(r[part])[:, None]
        t = end * (_NODES + 1) / 2
        a, b = one[part, None], two[part, None]
        inside = np.exp(-(a**2 + b**2 - 2 * a * b * np.sin(t)) / (2 * np.cos(t) ** 2))
        area[part] = (inside * _WEIGHTS).sum(axis=-1) * end[:, 0] / 2
    return np.asarray(ndtr(-one) * ndtr(-two) + area / (2 * np.pi))

"""A level that drifts slowly or, in fewer athletes, fast: followed at both speeds, weighed by fit.

One drift for all either hides the athlete who changes or makes everybody restless, and its intervals lag
behind who improves (corrections, 33 and 34). So each series is followed at both speeds; what is published
is the mixture, its variance the one within the speeds and the one between them.
"""

from __future__ import annotations

from dataclasses import fields

import numpy as np

from pipeline.numerics.level_pass import Comparison, Levels
from pipeline.numerics.local_level import (
    Rows,
    Sessions,
    beginnings,
    comparison_for,
    laid,
    levels_for,
    passes,
    put,
    put_comparison,
)
from pipeline.numerics.percentiles import Floats, Ints

FAST = 4.0  # times the slow SD: simulated (see tests/calibration)
FAST_SHARE = 0.35  # of the athletes, before anything is known of them: simulated
_SPEEDS = (1.0, FAST)


def mixed_levels(sessions: Sessions, rows: Rows) -> Levels:
    """Levels as `follow` gives them, of the two speeds together: `then` weighed by what was known then."""
    found, places = levels_for(rows), beginnings(rows)
    for runs, of_chunk, mask in passes(sessions, rows, _SPEEDS):
        for run in runs:
            run.smooth()
        slow, fast = (run.levels() for run in runs)
        then = _share_of_fast(*(run.log_likelihood.cumsum(axis=0) for run in runs))
        now = _share_of_fast(runs[0].total, runs[1].total)
        likelier = now > 0.5
        mixed = Levels(
            *_mixture(then, slow.then, fast.then, slow.then_variance, fast.then_variance),
            *_mixture(now, slow.level, fast.level, slow.variance, fast.variance),
            np.where(likelier, fast.surprise, slow.surprise),
            np.where(likelier, fast.anew, slow.anew),
        )
        put(found, mixed, places[of_chunk], mask)
    return found


def mixed_comparison(sessions: Sessions, rows: Rows, anchor_first: Ints, anchor_size: Ints) -> Comparison:
    """Comparisons as `compare` gives them, of the two speeds together."""
    found = comparison_for(*anchor_first.shape)
    for runs, of_chunk, _ in passes(sessions, rows, _SPEEDS, (anchor_first, anchor_size)):
        slow, fast = (run.comparison() for run in runs)
        share = _share_of_fast(slow.told, fast.told)
        means = ((1 - share) * getattr(slow, f.name) + share * getattr(fast, f.name) for f in fields(slow))
        mean = dict(zip((f.name for f in fields(slow)), means, strict=True))
        level, variance = _mixture(share, slow.level, fast.level, slow.variance, fast.variance)
        changes = slow.level - slow.anchor, fast.level - fast.anchor
        _, change_variance = _mixture(share, *changes, slow.change_variance, fast.change_variance)
        mean |= {"level": level, "variance": variance, "change_variance": change_variance}
        put_comparison(found, Comparison(**mean), of_chunk)
    return found


def log_likelihood(sessions: Sessions, rows: Rows) -> Floats:
    """What each session adds to the log likelihood of the mixture, the rows laid end to end."""
    found, places = np.zeros(int(rows.size.sum())), beginnings(rows)
    for (slow, fast), of_chunk, mask in passes(sessions, rows, _SPEEDS):
        told = _told(slow.log_likelihood, fast.log_likelihood)
        found[laid(places[of_chunk], mask)] = told.T[mask.T]
    return found


def _share_of_fast(slow: Floats, fast: Floats) -> Floats:
    """Probability of the fast speed, from the log likelihoods of both."""
    odds = fast - slow + np.log(FAST_SHARE / (1 - FAST_SHARE))
    return np.asarray(1 / (1 + np.exp(-np.clip(odds, -50, 50))))


def _told(slow: Floats, fast: Floats) -> Floats:
    """From what a session adds at either speed, (steps, rows): what it adds to that of the mixture."""
    total = np.logaddexp(
        slow.cumsum(axis=0) + np.log(1 - FAST_SHARE), fast.cumsum(axis=0) + np.log(FAST_SHARE)
    )
    return np.diff(total, axis=0, prepend=0.0)


def _mixture(
    share: Floats, slow: Floats, fast: Floats, slow_variance: Floats, fast_variance: Floats
) -> tuple[Floats, Floats]:
    """Mean and variance of a mixture of two."""
    apart = fast - slow
    variance = slow_variance + share * (fast_variance - slow_variance + (1 - share) * apart**2)
    return slow + share * apart, variance

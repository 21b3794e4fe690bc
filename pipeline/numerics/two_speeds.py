"""A level that drifts slowly or, in fewer athletes, fast: the two followed apart and weighed by how well they fit.

One drift for all either hides the athlete who changes or makes everybody restless, and its intervals lag behind who
improves (corrections, 33 and 34). So each series is followed at both speeds; what is published is the mixture, its
variance the one within the speeds and the one between them.
"""

from __future__ import annotations

from dataclasses import fields, replace

import numpy as np

from pipeline.numerics.local_level import (
    SURPRISE,
    Comparison,
    Levels,
    Rows,
    Sessions,
    compare,
    follow,
    log_likelihood,
)
from pipeline.numerics.percentiles import Floats, Ints

FAST = 4.0  # times the slow SD: simulated (see tests/calibration)
FAST_SHARE = 0.2  # of the athletes, before anything is known of them: simulated


def faster(rows: Rows) -> Rows:
    """The same rows at the fast speed."""
    return replace(rows, drift=rows.drift * FAST**2)


def share_of_fast(slow: Floats, fast: Floats) -> Floats:
    """Probability of the fast speed, from the log likelihoods of both."""
    odds = fast - slow + np.log(FAST_SHARE / (1 - FAST_SHARE))
    return 1 / (1 + np.exp(-np.clip(odds, -50, 50)))


def within_rows(values: Floats, size: Ints) -> Floats:
    """Running sums that begin anew with every row: (sum of sizes,) laid end to end."""
    total = np.cumsum(values)
    first = np.cumsum(size) - size
    before = np.where(first > 0, total[np.maximum(first - 1, 0)], 0.0)
    return total - np.repeat(before, size)


def mixed_levels(sessions: Sessions, rows: Rows) -> Levels:
    """Levels as `follow` gives them, of the two speeds together: `then` weighed by what was known then."""
    slow, fast = follow(sessions, rows), follow(sessions, faster(rows))
    told = [within_rows(levels.told, rows.size) for levels in (slow, fast)]
    then = share_of_fast(*told)
    last = np.cumsum(rows.size) - 1
    now = np.repeat(then[last], rows.size)
    level, variance = _mixture(now, slow.level, fast.level, slow.variance, fast.variance)
    early, early_variance = _mixture(then, slow.then, fast.then, slow.then_variance, fast.then_variance)
    likelier = now > 0.5
    return Levels(
        early,
        early_variance,
        level,
        variance,
        np.where(likelier, fast.surprise, slow.surprise),
        np.where(likelier, fast.anew, slow.anew),
        mixed_log_likelihood(*told, rows.size),
    )


def mixed_comparison(sessions: Sessions, rows: Rows, anchor_first: Ints, anchor_size: Ints) -> Comparison:
    """Comparisons as `compare` gives them, of the two speeds together."""
    both = [compare(sessions, at, anchor_first, anchor_size) for at in (rows, faster(rows))]
    slow, fast = both
    share = share_of_fast(slow.told, fast.told)
    mean = {f.name: (1 - share) * getattr(slow, f.name) + share * getattr(fast, f.name) for f in fields(slow)}
    changes = [one.level - one.anchor for one in both]
    level, variance = _mixture(share, slow.level, fast.level, slow.variance, fast.variance)
    _, change_variance = _mixture(share, *changes, slow.change_variance, fast.change_variance)
    return Comparison(**{**mean, "level": level, "variance": variance, "change_variance": change_variance})


def two_speed_log_likelihood(sessions: Sessions, rows: Rows) -> Floats:
    """What each session adds to the log likelihood of the mixture, laid end to end."""
    told = [within_rows(log_likelihood(sessions, at, SURPRISE), rows.size) for at in (rows, faster(rows))]
    return mixed_log_likelihood(*told, rows.size)


def mixed_log_likelihood(slow: Floats, fast: Floats, size: Ints) -> Floats:
    """From the running log likelihoods of both speeds: what each session adds to that of the mixture."""
    total = np.logaddexp(slow + np.log(1 - FAST_SHARE), fast + np.log(FAST_SHARE))
    before = np.empty_like(total)
    before[1:] = total[:-1]
    before[np.cumsum(size) - size] = 0.0
    return total - before


def _mixture(
    share: Floats, slow: Floats, fast: Floats, slow_variance: Floats, fast_variance: Floats
) -> tuple[Floats, Floats]:
    """Mean and variance of a mixture of two."""
    apart = fast - slow
    return slow + share * apart, (1 - share) * slow_variance + share * fast_variance + share * (
        1 - share
    ) * apart**2

"""100,000 series of 50 sessions through the level as shipped, beside a statsmodels loop over a sample.

Sessions are 3 to 11 days apart. statsmodels takes even steps only, so its series are days, empty between
sessions. Run it with `python -m tests.benchmarks.trends`.
"""

from __future__ import annotations

import time
import warnings
from collections.abc import Callable

import numpy as np

from pipeline.numerics.local_level import Rows, Sessions, follow
from pipeline.numerics.two_speeds import mixed_comparison, mixed_levels

SERIES, SESSIONS, SAMPLE = 100_000, 50, 100
NOISE, DRIFT = 9.0, 0.08


def made(series: int) -> tuple[Sessions, Rows]:
    """Sessions of walking levels; one in a hundred is off, one in a hundred begins a new stretch."""
    rng = np.random.default_rng(0)
    shape = (series, SESSIONS)
    gap = rng.integers(3, 12, shape).astype(np.float64)
    level = np.cumsum(rng.normal(0, 1, shape) * np.sqrt(gap * DRIFT), axis=1)
    off = (rng.random(shape) < 0.01) * rng.normal(0, 15, shape)
    value = level + rng.normal(0, np.sqrt(NOISE), shape) + off
    day = np.cumsum(gap, axis=1)
    sessions = Sessions(
        value.ravel(),
        day.ravel(),
        np.full(series * SESSIONS, 3.0),
        rng.random(series * SESSIONS) < 0.01,
        np.tile(np.arange(SESSIONS), series),
    )
    rows = Rows(
        np.arange(series) * SESSIONS,
        np.full(series, SESSIONS),
        np.full(series, NOISE / 2),
        np.full(series, 3 * NOISE / 2),
        np.full(series, DRIFT),
    )
    return sessions, rows


def seconds(work: Callable[[], object]) -> float:
    """Processor seconds of the faster of two runs: what others do on the machine does not count."""
    taken = []
    for _ in range(2):
        begin = time.process_time()
        work()
        taken.append(time.process_time() - begin)
    return min(taken)


def by_statsmodels(value: np.ndarray, day: np.ndarray) -> np.ndarray:
    """The filtered levels of one series at given variances, by statsmodels, which smooths it as well."""
    from statsmodels.tsa.statespace.structural import UnobservedComponents

    at = (day - day[0]).astype(int)
    daily = np.full(at[-1] + 1, np.nan)
    daily[at] = value
    model = UnobservedComponents(daily, "llevel", use_exact_diffuse=True)
    return np.asarray(model.smooth([NOISE, DRIFT]).filtered_state[0, at])


def main() -> None:
    """Measure and print."""
    warnings.simplefilter("ignore")
    sessions, rows = made(SERIES)
    values = sessions.value.reshape(SERIES, SESSIONS)
    sample = list(zip(values[:SAMPLE], sessions.day.reshape(SERIES, SESSIONS)[:SAMPLE], strict=True))
    theirs = seconds(lambda: [by_statsmodels(*series) for series in sample]) / SAMPLE * SERIES
    baseline = np.zeros((1, SERIES), dtype=np.int64), np.full((1, SERIES), 3)
    plain = Sessions(
        sessions.value, sessions.day, sessions.trials, np.zeros_like(sessions.anew), sessions.place
    )
    print(f"{SERIES:,} series of {SESSIONS} sessions; statsmodels: {theirs:,.0f} processor s, by {SAMPLE}")
    for name, work in (
        ("the plain filter and smoother", lambda: follow(plain, rows, np.inf)),
        (
            "trends as shipped: two speeds, restarts, surprises, smoother",
            lambda: mixed_levels(sessions, rows),
        ),
        ("changes as shipped: the same with an anchor", lambda: mixed_comparison(sessions, rows, *baseline)),
    ):
        ours = seconds(work)
        print(f"  {name}: {ours:.2f} processor s, {theirs / ours:,.0f} times as fast")
    levels = follow(plain, rows, np.inf).then.reshape(SERIES, SESSIONS)[:SAMPLE]
    apart = max(np.abs(by_statsmodels(*s) - ours).max() for s, ours in zip(sample, levels, strict=True))
    print(f"  the plain filter's levels differ from statsmodels' by {apart:.1e} at the most")


if __name__ == "__main__":
    main()

"""When traces of runs pass places behind their start, and the mean force on the way: all traces at once."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]

_FIRST_M = 0.25
_REST_S = (1.5, 0.6)  # rest is looked for in this span before the first quarter metre
_APART_M = 1e4  # more than any run is long


def passages(offsets: Ints, time_s: Floats, position_m: Floats, away_m: Floats) -> Floats:
    """Times [s] at which each trace is first `away_m` past its place at rest: (traces, places).

    NaN where it never is. `offsets`: shape (k + 1,), where each trace begins and the last ends; `time_s`,
    `position_m`: shape (n,), the traces laid end to end, each in order of time. The place at rest is as for
    the start of movement: the mean over 1.5 to 0.6 s before the first quarter metre, else the first sample.
    """
    first = position_m[offsets[:-1]]
    off = _first_at(offsets, time_s, position_m - np.repeat(first, np.diff(offsets)), np.array([_FIRST_M]))
    waited = np.repeat(off[:, 0], np.diff(offsets)) - time_s
    resting = (waited <= _REST_S[0]) & (waited >= _REST_S[1])
    whose = np.repeat(np.arange(first.size), np.diff(offsets))
    count = np.bincount(whose[resting], minlength=first.size)
    total = np.bincount(whose[resting], position_m[resting], minlength=first.size)
    level = np.where(count > 0, total / np.maximum(count, 1), first)
    return _first_at(offsets, time_s, position_m - level[whose], away_m)


def mean_forces(offsets: Ints, time_s: Floats, force_n: Floats, at_s: Floats) -> Floats:
    """Mean force [N] of each trace between neighbouring times of `at_s` (traces, m): (traces, m - 1).

    Trapezoids from sample to sample, the impulse a straight line between; NaN where a time is.
    """
    if not time_s.size:
        return np.zeros((0, at_s.shape[1] - 1))
    impulse = np.zeros(time_s.size)
    steps = np.diff(time_s) * (force_n[1:] + force_n[:-1]) / 2
    steps[offsets[1:-1] - 1] = 0.0
    np.cumsum(steps, out=impulse[1:])
    # Times of a trace are put behind those of the one before, so that all are looked up in one row.
    span = float(np.ptp(time_s)) + 1.0
    place = np.arange(offsets.size - 1) * span
    at = np.interp(np.nan_to_num(at_s) + place[:, None], time_s + np.repeat(place, np.diff(offsets)), impulse)
    return np.asarray(np.diff(at, axis=1) / np.diff(at_s, axis=1))


def _first_at(offsets: Ints, time_s: Floats, away_m: Floats, wanted_m: Floats) -> Floats:
    """When each trace first is `wanted_m` away, the position a straight line between samples."""
    traces = offsets.size - 1
    # Raised by trace, the highest place so far rises over all of them: one search serves all.
    lifted = away_m + np.repeat(np.arange(traces) * _APART_M, np.diff(offsets))
    raised = np.maximum.accumulate(lifted)
    wanted = np.arange(traces)[:, None] * _APART_M + wanted_m
    at = np.searchsorted(raised, wanted.ravel()).reshape(wanted.shape)
    there = (at > offsets[:-1, None]) & (at < offsets[1:, None])
    after = np.where(there, at, 1)
    # The places themselves, not raised: their last digits are the trace's own, whatever lies before it.
    highest = np.maximum.accumulate(np.where(lifted == raised, np.arange(lifted.size), 0))
    low, high = away_m[highest[after - 1]], away_m[after]
    with np.errstate(divide="ignore", invalid="ignore"):
        share = (wanted_m - low) / (high - low)
    passed = time_s[after - 1] + share * (time_s[after] - time_s[after - 1])
    return np.asarray(np.where(there, passed, np.nan))

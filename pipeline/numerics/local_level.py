"""The local level with known measurement noise: many athletes' series at once, at irregular dates.

theta(t) = theta(t - 1) + eta, eta ~ N(0, drift x days); y = theta + e, e ~ N(0, R), R known. The first
value of a stretch is diffuse. Source: Durbin & Koopman 2012, Time Series Analysis by State Space Methods,
chapter 2.

Added to it, because testing halls need it (methods, C6):

- a level starts anew where the caller says so (an injury, a long gap), and the state keeps an *anchor*
  beside the level: the mean level over chosen earlier sessions. Its covariance with the level is part of
  the state, so the error of a change over a window is right.
- a *surprise*, a value more than 3 SDs from where it was expected, counts with less weight. If the next value
  agrees with it, it was none: the level starts anew from the two.

Loops run over the sessions of a series, never over series.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, fields, replace

import numpy as np

from pipeline.numerics.level_pass import Bools, Chunk, Comparison, Levels, Pass
from pipeline.numerics.percentiles import Floats, Ints

SURPRISE = 3.0  # SDs of the innovation beyond which a value counts with less weight (methods, C6)
_CHUNK = 2048  # rows at a time, so that a step's arrays stay in the processor's cache


@dataclass(frozen=True)
class Sessions:
    """Series laid end to end, each in the order of its days: every array has a value a session, (sessions,).

    `value` on the analysis scale; `day` [days]; `trials` behind the value; `anew` where the level starts anew
    whatever it was; `place` is the session's number among those that an anchor may use, -1 where it may not.
    """

    value: Floats
    day: Floats
    trials: Floats
    anew: Bools
    place: Ints


@dataclass(frozen=True)
class Rows:
    """What is followed, (rows,): the sessions `first` to `first + size - 1`, with the noise assumed for them.

    The noise of a session's value is `between` + `within` / trials, the level drifts by `drift` a day: all
    variances on the analysis scale. Two rows may follow the same sessions.
    """

    first: Ints
    size: Ints
    between: Floats
    within: Floats
    drift: Floats


def passes(
    sessions: Sessions,
    rows: Rows,
    speeds: Sequence[float],
    anchors: tuple[Ints, Ints] | None = None,
    surprise: float = SURPRISE,
) -> Iterator[tuple[list[Pass], Ints, Bools]]:
    """A pass forward at each speed, some rows at a time: the passes, which rows, which steps they have.

    `speeds` multiply the SD of the drift. With `anchors` (their first place and number of sessions,
    (anchors, rows) both) only the last state is kept; without, every step.
    """
    for chunk, of_chunk, mask in _chunks(sessions, rows):
        here = None if anchors is None else (anchors[0][:, of_chunk], anchors[1][:, of_chunk])
        runs = [Pass(replace(chunk, drift=chunk.drift * speed**2), here, surprise) for speed in speeds]
        yield runs, of_chunk, mask


def follow(sessions: Sessions, rows: Rows, surprise: float = SURPRISE) -> Levels:
    """The level of every row at every of its sessions; `surprise` = inf is the plain model."""
    found = levels_for(rows)
    places = beginnings(rows)
    for (run,), of_chunk, mask in passes(sessions, rows, (1.0,), surprise=surprise):
        run.smooth()
        put(found, run.levels(), places[of_chunk], mask)
    return found


def compare(sessions: Sessions, rows: Rows, anchor_first: Ints, anchor_size: Ints) -> Comparison:
    """The level at the last session of every row against anchors.

    Anchor k of a row is the mean level over the `anchor_size` sessions from the place `anchor_first` on,
    (anchors, rows) both; a size of 0: no anchor.
    """
    found = comparison_for(*anchor_first.shape)
    for (run,), of_chunk, _ in passes(sessions, rows, (1.0,), (anchor_first, anchor_size)):
        put_comparison(found, run.comparison(), of_chunk)
    return found


def levels_for(rows: Rows) -> Levels:
    """Room for the levels of rows."""
    count = int(rows.size.sum())
    kinds = (float, float, float, float, bool, bool)
    return Levels(*(np.zeros(count, kind) for kind in kinds))


def comparison_for(anchors: int, rows: int) -> Comparison:
    """Room for comparisons."""
    flat = [np.zeros(rows) for _ in range(3)]
    return Comparison(*flat, *(np.full((anchors, rows), np.nan) for _ in range(8)))


def put(whole: Levels, part: Levels, places: Ints, mask: Bools) -> None:
    """Lay the levels of a chunk, (steps, rows), where its rows begin."""
    target = laid(places, mask)
    for field in fields(Levels):
        getattr(whole, field.name)[target] = getattr(part, field.name).T[mask.T]


def laid(places: Ints, mask: Bools) -> Ints | slice:
    """Where the sessions of a chunk's rows, row by row, lie when all rows are laid end to end."""
    steps = mask.shape[0]
    if mask.all() and (np.diff(places) == steps).all():
        return slice(int(places[0]), int(places[-1]) + steps)
    return np.asarray((places[:, None] + np.arange(steps))[mask.T])


def put_comparison(whole: Comparison, part: Comparison, of_chunk: Ints) -> None:
    """Lay the comparisons of a chunk where they belong."""
    for field in fields(Comparison):
        getattr(whole, field.name)[..., of_chunk] = getattr(part, field.name)


def beginnings(rows: Rows) -> Ints:
    """Where each row begins when the rows' sessions are laid end to end."""
    return np.cumsum(rows.size) - rows.size


def _chunks(sessions: Sessions, rows: Rows) -> Iterator[tuple[Chunk, Ints, Bools]]:
    """The rows, longest first, some at a time: the chunk, which rows they are, which steps they have."""
    order = np.argsort(-rows.size, kind="stable")
    order = order[rows.size[order] > 0]
    for begin in range(0, order.size, _CHUNK):
        which = order[begin : begin + _CHUNK]
        size = rows.size[which]
        steps = np.arange(size[0])[:, None]
        mask = steps < size
        at = np.minimum(rows.first[which] + steps, sessions.value.size - 1)
        day = sessions.day[at]
        gap = np.full(day.shape, np.inf)
        gap[1:] = np.where(sessions.anew[at][1:], np.inf, day[1:] - day[:-1])
        noise = rows.between[which] + rows.within[which] / sessions.trials[at]
        active = mask.sum(axis=1)
        yield (
            Chunk(sessions.value[at], gap, noise, sessions.place[at], rows.drift[which], active),
            which,
            mask,
        )

"""One pass forward and back over series of a local level, all of them a step at a time.

The Kalman filter and Rauch, Tung & Striebel's smoother of one level a row, with the anchors and surprises
that `pipeline.numerics.local_level` tells of. Arrays are (steps, rows), or (anchors, rows).
"""

from __future__ import annotations

from dataclasses import dataclass, fields

import numpy as np
from numpy.typing import NDArray

from pipeline.numerics.percentiles import Floats, Ints

Bools = NDArray[np.bool_]
_AGREES = 2.0  # SDs of the difference within which the next value agrees with a surprise


@dataclass(frozen=True)
class Levels:
    """The level at every session of every row, laid end to end, (sum of sizes,), and its variance.

    `then`: from what was known that day. `level`: from all sessions of the row. `surprise`: the value counts
    with less weight. `anew`: the level starts anew here, be it said or found."""

    then: Floats
    then_variance: Floats
    level: Floats
    variance: Floats
    surprise: Bools
    anew: Bools


@dataclass(frozen=True)
class Comparison:
    """The level at the last session of every row, (rows,), against each anchor, (anchors, rows).

    `change_variance` is the variance of level - anchor, `gain` its covariance with the level: what a
    further session can take away of it. `null_variance` is the variance that the estimate of level - anchor
    has where the truth stands still. The `before_` ones are those of the look one session earlier,
    `null_covariance` is that of the two estimates. NaN where the anchor has no session. `told` is the row's
    log likelihood.
    """

    level: Floats
    variance: Floats
    told: Floats
    anchor: Floats
    anchor_variance: Floats
    change_variance: Floats
    gain: Floats
    null_variance: Floats
    before_variance: Floats
    before_null_variance: Floats
    null_covariance: Floats


@dataclass
class _State:
    """The state of the rows that are followed, (rows,), and of their anchors, (anchors, rows).

    p, c, a: variance of the level, its covariance with the anchors, variance of these. np_, nc, na: the
    same of the estimates where the truth stands still.
    """

    level: Floats
    p: Floats
    np_: Floats
    anchor: Floats
    c: Floats
    a: Floats
    nc: Floats
    na: Floats

    @classmethod
    def empty(cls, anchors: int, rows: int) -> _State:
        level, p, np_ = (np.zeros(rows) for _ in range(3))
        c, a, nc, na = (np.zeros((anchors, rows)) for _ in range(4))
        return cls(level, p, np_, np.full((anchors, rows), np.nan), c, a, nc, na)

    def head(self, rows: int) -> _State:
        """The first rows, as views."""
        return _State(*(getattr(self, name)[..., :rows] for name in _STATE))

    def taken(self, at: Ints) -> _State:
        """Copies of some rows."""
        return _State(*(getattr(self, name)[..., at] for name in _STATE))

    def mix(self, weight: Floats) -> None:
        """Each anchor becomes (1 - weight) anchor + weight level; weight 0 leaves it, 1 sets it."""
        keep, both = 1 - weight, 2 * weight * (1 - weight)
        old = np.where(weight == 1, 0.0, self.anchor)
        self.anchor[...] = keep * old + weight * self.level
        self.a[...] = keep**2 * self.a + both * self.c + weight**2 * self.p
        self.na[...] = keep**2 * self.na + both * self.nc + weight**2 * self.np_
        self.c[...] = keep * self.c + weight * self.p
        self.nc[...] = keep * self.nc + weight * self.np_

    def begin(self, at: Bools | Ints, value: Floats, noise: Floats) -> None:
        """The level of some rows is what one value says, and nothing else."""
        self.level[at] = value
        self.p[at] = self.np_[at] = noise
        self.c[:, at] = self.nc[:, at] = 0.0


_STATE = tuple(field.name for field in fields(_State))


@dataclass
class _Pending:
    """Surprises of the last step: their rows, the state before them, and what they were."""

    at: Ints
    state: _State
    value: Floats
    noise: Floats
    weight: Floats


@dataclass
class _Look:
    """What a look at a row's change was one session earlier, (anchors, rows)."""

    variance: Floats
    null_variance: Floats
    null_covariance: Floats


@dataclass(frozen=True)
class Chunk:
    """Some rows, longest first: arrays (steps, rows), and how many rows have each step."""

    value: Floats
    gap: Floats
    noise: Floats
    place: Ints
    drift: Floats
    active: Ints


class Pass:
    """One pass forward over a chunk."""

    def __init__(self, chunk: Chunk, anchors: tuple[Ints, Ints] | None, surprise: float) -> None:
        steps, rows = chunk.value.shape
        count = 0 if anchors is None else anchors[0].shape[0]
        self.chunk, self.anchors, self.limit, self.keep = chunk, anchors, surprise**2, anchors is None
        self.state = _State.empty(count, rows)
        self.pending: _Pending | None = None
        self.look = _Look(*(np.full((count, rows), np.nan) for _ in range(3)))
        self.total = np.zeros(rows)
        shape = (steps, rows) if self.keep else (0, 0)
        self.then, self.then_variance = np.zeros(shape), np.zeros(shape)
        self.level, self.variance = np.zeros(shape), np.zeros(shape)
        self.surprise, self.anew = np.zeros(shape, bool), np.zeros(shape, bool)
        self.log_likelihood = np.zeros(shape)
        for step in range(steps):
            self._step(step)

    def _step(self, step: int) -> None:
        rows = self.chunk.active[step]
        state = self.state.head(rows)
        value, noise, gap = (
            part[step, :rows] for part in (self.chunk.value, self.chunk.noise, self.chunk.gap)
        )
        self._settle_surprises(step, state, value, noise, gap)
        anew = ~np.isfinite(gap)
        with np.errstate(invalid="ignore"):
            state.p += np.where(anew, 0.0, self.chunk.drift[:rows] * gap)
        error = value - state.level
        spread = state.p + noise
        odd = ~anew & (error * error > self.limit * spread)
        weight = self._weights(step, rows)
        self.pending = None
        felt = noise
        if odd.any():
            at = np.flatnonzero(odd)
            self.pending = _Pending(at, state.taken(at), value[at], noise[at], weight[:, at])
            felt = noise.copy()
            felt[at] *= error[at] ** 2 / spread[at] / 4  # R (z / 2)²
            spread = state.p + felt
        positive = np.where(spread > 0, spread, 1.0)
        told = np.where(anew, 0.0, -0.5 * (np.log(2 * np.pi * positive) + error * error / positive))
        self.total[:rows] += told
        self._update(state, error, spread, felt, noise)
        if anew.any():
            state.begin(anew, value[anew], noise[anew])
        if self.keep:
            self._note(step, state, told, odd, anew)
        if weight.any():
            state.mix(weight)

    def _weights(self, step: int, rows: int) -> Floats:
        """What share of each anchor this session is to be, (anchors, rows): 1, 1/2, 1/3 … make a mean."""
        if self.anchors is None:
            return np.zeros((0, rows))
        place = self.chunk.place[step, :rows]
        nth = place - self.anchors[0][:, :rows]
        inside = (place >= 0) & (nth >= 0) & (nth < self.anchors[1][:, :rows])
        return np.where(inside, 1.0 / np.maximum(nth + 1, 1), 0.0)

    def _update(self, state: _State, error: Floats, spread: Floats, felt: Floats, noise: Floats) -> None:
        """One step of the Kalman filter: the level, the anchors, and both where the truth stands still."""
        gain = state.p / np.where(spread > 0, spread, 1.0)
        left = 1 - gain
        if state.anchor.shape[0]:
            side = state.c / np.where(spread > 0, spread, 1.0)
            self._look_back(state, gain, side)
            state.anchor += side * error
            state.a -= side * state.c
            state.c *= left
            state.na += side * (side * (state.np_ + noise) - 2 * state.nc)
            state.nc[...] = left * (state.nc - side * state.np_) + gain * side * noise
        state.level += gain * error
        state.p[...] = gain * felt
        state.np_[...] = left * left * state.np_ + gain * gain * noise

    def _look_back(self, state: _State, gain: Floats, side: Floats) -> None:
        """Keep what the look before this session was; its level had not drifted on to this day."""
        rows = gain.size
        null = state.np_ + state.na - 2 * state.nc
        self.look.variance[:, :rows] = state.p + state.a - 2 * state.c
        self.look.null_variance[:, :rows] = null
        self.look.null_covariance[:, :rows] = null - (gain - side) * (state.np_ - state.nc)

    def _settle_surprises(self, step: int, state: _State, value: Floats, noise: Floats, gap: Floats) -> None:
        """Where this value agrees with the surprise before it, the level starts anew from that one."""
        last = self.pending
        if last is None:
            return
        here = last.at < value.size
        at = last.at[here]
        if not at.size:
            return
        apart = np.abs(value[at] - last.value[here])
        spread = last.noise[here] + noise[at] + self.chunk.drift[at] * gap[at]
        agrees = np.isfinite(gap[at]) & (apart <= _AGREES * np.sqrt(spread))
        agrees &= apart < np.abs(value[at] - last.state.level[here])
        if not agrees.any():
            return
        back, shifted = np.flatnonzero(here)[agrees], at[agrees]
        fresh = last.state.taken(back)
        fresh.begin(np.arange(back.size), last.value[back], last.noise[back])
        fresh.mix(last.weight[:, back])
        for name in _STATE:
            getattr(state, name)[..., shifted] = getattr(fresh, name)
        if self.keep:
            self.level[step - 1, shifted], self.variance[step - 1, shifted] = fresh.level, fresh.p
            self.surprise[step - 1, shifted], self.anew[step - 1, shifted] = False, True

    def _note(self, step: int, state: _State, told: Floats, odd: Bools, anew: Bools) -> None:
        rows = told.size
        self.then[step, :rows] = self.level[step, :rows] = state.level
        self.then_variance[step, :rows] = self.variance[step, :rows] = state.p
        self.surprise[step, :rows], self.anew[step, :rows] = odd, anew
        self.log_likelihood[step, :rows] = told

    def levels(self) -> Levels:
        """The levels of the chunk, (steps, rows)."""
        return Levels(
            self.then,
            self.then_variance,
            self.level,
            self.variance,
            self.surprise,
            self.anew,
        )

    def comparison(self) -> Comparison:
        """The last state of the chunk's rows."""
        s, known = self.state, np.isfinite(self.state.anchor)
        deep = (
            s.anchor,
            s.a,
            s.p + s.a - 2 * s.c,
            s.p - s.c,
            s.np_ + s.na - 2 * s.nc,
            self.look.variance,
            self.look.null_variance,
            self.look.null_covariance,
        )
        return Comparison(s.level, s.p, self.total, *(np.where(known, part, np.nan) for part in deep))

    def smooth(self) -> None:
        """Rauch, Tung & Striebel's pass backward, over `level` and `variance`; it never crosses a start."""
        active = self.chunk.active
        for step in range(active.size - 2, -1, -1):
            rows = active[step + 1]
            p = self.variance[step, :rows]
            on = ~self.anew[step + 1, :rows]
            gap = np.where(on, self.chunk.gap[step + 1, :rows], 0.0)
            ahead = p + self.chunk.drift[:rows] * gap
            share = np.where(on & (ahead > 0), p / np.where(ahead > 0, ahead, 1.0), 0.0)
            following = self.level[step + 1, :rows] - self.level[step, :rows]
            self.level[step, :rows] += np.where(on, share * following, 0.0)
            known = self.variance[step + 1, :rows] - ahead
            self.variance[step, :rows] = p + np.where(on, share**2 * known, 0.0)

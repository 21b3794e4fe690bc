"""Fits of y = scale × shape(x; theta), many at once: the scale is linear, so only theta is searched for.

Variable projection (Golub & Pereyra 1973, SIAM J Numer Anal 10:413-432) with Kaufman's simplification: in
one dimension a damped Gauss-Newton step on theta, the best scale put in at each. A search from the best of
several starts, and steps that never raise the sum of squares, keep it from running off where a plain search
does (NIST StRD BoxBOD from its first start).
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

Floats = npt.NDArray[np.float64]
Bools = npt.NDArray[np.bool_]
Shape = Callable[..., tuple[Floats, Floats]]
"""(theta (rows, 1), data...) -> shape and its derivative by theta, (rows, points) each; 0 where unused."""

CHUNK = 4096
"""Rows worked on together: what they need stays in a core's cache."""
_FEW, _STEP = 8, 64  # points that are summed in equal steps: gates, samples
_MOST_STEPS = 200
_SETTLED = 1e-9  # of theta, which is a logarithm: relative
_COMPRESS = 0.75  # rows that have settled are set aside once they are a quarter of those at work


@dataclass(frozen=True)
class SeparableFits:
    """One fit a row: `theta`, `scale`, `residual_ss` [y²], and how both parameters vary together.

    `scale_variance`, `theta_variance`, `covariance`: per unit of residual variance, so that own or pooled
    variance can be put in. `settled`: the search ended inside its bounds; where not, nothing else counts.
    Every array has shape (rows,).
    """

    theta: Floats
    scale: Floats
    residual_ss: Floats
    scale_variance: Floats
    theta_variance: Floats
    covariance: Floats
    settled: Bools


def fit_separable(
    shape: Shape, data: Sequence[Floats], y: Floats, starts: Sequence[float], bounds: tuple[float, float]
) -> SeparableFits:
    """Least squares for every row: `data` of shape (rows, points) or (rows, 1) each, `y` (rows, points).

    `y` is 0 wherever a point is unused, and so is what `shape` gives there. `starts`: values of theta of
    which the best begins the search of a row; `bounds`: theta stays within them. What is in the other rows
    changes no digit of a row, nor do unused points behind its own (see `widened`).
    """
    data, y = [widened(part, y.shape[1]) for part in data], widened(y, y.shape[1])
    # A row without points comes to 0 / 0 throughout and is not settled.
    with np.errstate(divide="ignore", invalid="ignore"):
        parts = [
            _fit_chunk(shape, [part[i : i + CHUNK] for part in data], y[i : i + CHUNK], starts, bounds)
            for i in range(0, max(y.shape[0], 1), CHUNK)
        ]
    return SeparableFits(*(np.concatenate(columns) for columns in zip(*parts, strict=True)))


def widened(part: Floats, points: int) -> Floats:
    """(rows, points) with zeros behind its points, (rows, 1) as it is.

    So sums go in the same steps whatever the longest row is: a processor adds several points at a time and
    those that are left one by one; this leaves none.
    """
    width = _FEW if points <= _FEW else -(-points // _STEP) * _STEP
    if points < 2 or part.shape[1] != points:
        return part
    return np.pad(part, ((0, 0), (0, width - points)))


def _fit_chunk(
    shape: Shape, data: list[Floats], y: Floats, starts: Sequence[float], bounds: tuple[float, float]
) -> tuple[npt.NDArray[np.generic], ...]:
    theta = _search(shape, data, y, _best_start(shape, data, y, starts), bounds)
    g, dg = shape(theta[:, None], *data)
    gg, gd, dd = row_dot(g, g), row_dot(g, dg), row_dot(dg, dg)
    scale = row_dot(g, y) / gg
    residual_ss = _square(y - scale[:, None] * g)
    apart = dd - gd**2 / gg
    theta_variance = 1 / (scale**2 * apart)
    scale_variance = dd / (gg * apart)
    covariance = -gd / (gg * scale * apart)
    settled = (theta > bounds[0]) & (theta < bounds[1]) & np.isfinite(theta_variance) & (scale > 0)
    return theta, scale, residual_ss, scale_variance, theta_variance, covariance, settled


def _best_start(shape: Shape, data: list[Floats], y: Floats, starts: Sequence[float]) -> Floats:
    """Of `starts` the theta with the least sum of squares, a row each: (rows,)."""
    explained = []
    for start in starts:
        g, _ = shape(np.full((y.shape[0], 1), start), *data)
        explained.append(row_dot(g, y) ** 2 / row_dot(g, g))
    best: Floats = np.asarray(starts, dtype=np.float64)[np.argmax(explained, axis=0)]
    return best


def _search(
    shape: Shape, data: list[Floats], y: Floats, theta: Floats, bounds: tuple[float, float]
) -> Floats:
    """Damped Gauss-Newton: a step that raises the sum of squares is taken back and halved."""
    found, at_work = theta.copy(), np.arange(theta.size)
    here, step, least = theta, np.zeros_like(theta), np.full(theta.size, np.inf)
    moves = np.ones(theta.size, dtype=np.bool_)
    for _ in range(_MOST_STEPS):
        there = np.clip(here + step, *bounds)
        wanted, square = _step(shape, data, y, there)
        better = square <= least
        here, least = np.where(better, there, here), np.where(better, square, least)
        step = np.where(better, wanted, step / 2)
        # A row that has settled stays there, however long others of its batch go on.
        moves &= abs(np.clip(here + step, *bounds) - here) > _SETTLED
        step = np.where(moves, step, 0.0)
        if not moves.any():
            break
        if moves.mean() < _COMPRESS:
            found[at_work] = here
            at_work, here, step, least, y = at_work[moves], here[moves], step[moves], least[moves], y[moves]
            data = [part[moves] for part in data]
            moves = moves[moves]
    found[at_work] = here
    return found


def _step(shape: Shape, data: list[Floats], y: Floats, theta: Floats) -> tuple[Floats, Floats]:
    """The Gauss-Newton step from `theta` and the sum of squares there, the best scale put in."""
    g, dg = shape(theta[:, None], *data)
    gg, gy, gd = row_dot(g, g), row_dot(g, y), row_dot(g, dg)
    scale = gy / gg
    residual = y - scale[:, None] * g
    # The residual is square to g, so its product with the projected derivative is that with dg itself.
    wanted = row_dot(dg, residual) / (scale * (row_dot(dg, dg) - gd**2 / gg))
    return np.asarray(np.clip(np.nan_to_num(wanted), -1.0, 1.0)), _square(residual)


def row_dot(a: Floats, b: Floats) -> Floats:
    """The sum of products of each row: (rows, points) twice -> (rows,)."""
    return np.asarray(np.einsum("ij,ij->i", a, b), dtype=np.float64)


def _square(a: Floats) -> Floats:
    return row_dot(a, a)

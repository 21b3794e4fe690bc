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
Ints = npt.NDArray[np.int64]
Bools = npt.NDArray[np.bool_]
Shape = Callable[..., tuple[Floats, Floats]]
"""(theta (rows, 1), data...) -> shape and its derivative by theta, (rows, points) each; 0 where unused."""

CHUNK = 1 << 16
"""Points worked on together: what they need stays in a core's cache."""
_FEW, _STEP = 8, 64  # points that are summed in equal steps: gates, samples
_MOST_STEPS = 200
_SETTLED = 1e-9  # of theta, which is a logarithm: relative
_SQUARE, _WANTED = 4, 5  # of `_sums`
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
    shape: Shape,
    data: Sequence[Floats],
    y: Floats,
    starts: Sequence[float],
    bounds: tuple[float, float],
    alike: Ints | None = None,
) -> SeparableFits:
    """Least squares for every row: `data` of shape (rows, points) or (rows, 1) each, `y` (rows, points).

    `y` is 0 wherever a point is unused, and so is what `shape` gives there, and where all data are 0.
    `starts`: values of theta of which the best begins the search of a row; `bounds`: theta stays within them.
    `alike`: shape (rows,), one number for all rows whose `data` are the same, if that is known: their starts
    are then gone through once.
    What is in the other rows changes no digit of a row, nor do unused points behind its own (see `widened`).
    """
    points, rows = y.shape[1], max(CHUNK // max(y.shape[1], 1), 1)
    y, data = widened(y, points), [widened(part, points) for part in data]
    # A row without points comes to 0 / 0 throughout and is not settled.
    with np.errstate(divide="ignore", invalid="ignore"):
        parts = [
            _fit_chunk(
                shape,
                [part[i : i + rows] for part in data],
                y[i : i + rows],
                starts,
                bounds,
                None if alike is None else alike[i : i + rows],
            )
            for i in range(0, max(y.shape[0], 1), rows)
        ]
    return SeparableFits(*(np.concatenate(columns) for columns in zip(*parts, strict=True)))


def widened(part: Floats, points: int) -> Floats:
    """(rows, points) with zeros behind its points, (rows, 1) as it is.

    So sums go in the same steps whatever the longest row is: a processor adds several points at a time and
    those that are left one by one; this leaves none.
    """
    width = _FEW if points <= _FEW else -(-points // _STEP) * _STEP
    if points < 2 or points == width or part.shape[1] != points:
        return part
    return np.pad(part, ((0, 0), (0, width - points)))


def _fit_chunk(
    shape: Shape,
    data: list[Floats],
    y: Floats,
    starts: Sequence[float],
    bounds: tuple[float, float],
    alike: Ints | None,
) -> tuple[npt.NDArray[np.generic], ...]:
    theta, sums = _search(shape, data, y, *_best_start(shape, data, y, starts, alike), bounds)
    gg, gd, dd, scale, residual_ss, _ = sums
    apart = dd - gd**2 / gg
    theta_variance = 1 / (scale**2 * apart)
    scale_variance = dd / (gg * apart)
    covariance = -gd / (gg * scale * apart)
    settled = (theta > bounds[0]) & (theta < bounds[1]) & np.isfinite(theta_variance) & (scale > 0)
    return theta, scale, residual_ss, scale_variance, theta_variance, covariance, settled


def _best_start(
    shape: Shape, data: list[Floats], y: Floats, starts: Sequence[float], alike: Ints | None
) -> tuple[Floats, Floats]:
    """Of `starts` the theta with the least sum of squares, a row each: (rows,), and `_sums` there."""
    first = kind = np.arange(y.shape[0])
    if alike is not None:
        _, first, kind = np.unique(alike, return_index=True, return_inverse=True)
    each = [part[first] for part in data]
    shapes = [shape(np.full((first.size, 1), start), *each) for start in starts]
    explained = [row_dot(g[kind], y) ** 2 / row_dot(g, g)[kind] for g, _ in shapes]
    best = np.argmax(explained, axis=0)
    g, d = (np.stack(parts)[best, kind] for parts in zip(*shapes, strict=True))
    return np.asarray(starts, dtype=np.float64)[best], _sums(g, d, y)


def _search(
    shape: Shape, data: list[Floats], y: Floats, start: Floats, sums: Floats, bounds: tuple[float, float]
) -> tuple[Floats, Floats]:
    """Damped Gauss-Newton: a step that raises the sum of squares is taken back and halved.

    `sums`: `_sums` at `start`; gives theta and `_sums` there.
    """
    found, told, at_work = start.copy(), sums.copy(), np.arange(start.size)
    here = there = start
    best, step, least = sums, np.zeros_like(start), np.full(start.size, np.inf)
    moves = np.ones(start.size, dtype=np.bool_)
    for _ in range(_MOST_STEPS):
        better = sums[_SQUARE] <= least
        here, best = np.where(better, there, here), np.where(better, sums, best)
        step, least = np.where(better, sums[_WANTED], step / 2), np.where(better, sums[_SQUARE], least)
        # A row that has settled stays there, however long others of its batch go on.
        moves &= abs(np.clip(here + step, *bounds) - here) > _SETTLED
        step = np.where(moves, step, 0.0)
        if not moves.any():
            break
        if moves.mean() < _COMPRESS:
            found[at_work], told[:, at_work] = here, best
            at_work, here, step, least, y = at_work[moves], here[moves], step[moves], least[moves], y[moves]
            data, best = [part[moves] for part in data], best[:, moves]
            moves = moves[moves]
        there = np.clip(here + step, *bounds)
        sums = _sums(*shape(there[:, None], *data), y)
    found[at_work], told[:, at_work] = here, best
    return found, told


def _sums(g: Floats, d: Floats, y: Floats) -> Floats:
    """At one theta a row: sums of products of the shape g and its derivative d, the best scale, the sum of
    squares that is left, and the Gauss-Newton step from there; shape (6, rows)."""
    gg, gd, dd = row_dot(g, g), row_dot(g, d), row_dot(d, d)
    scale = row_dot(g, y) / gg
    residual = scale[:, None] * g
    np.subtract(y, residual, out=residual)
    # The residual is square to g, so its product with the projected derivative is that with d itself.
    wanted = np.clip(np.nan_to_num(row_dot(d, residual) / (scale * (dd - gd**2 / gg))), -1.0, 1.0)
    return np.stack([gg, gd, dd, scale, row_dot(residual, residual), wanted])


def row_dot(a: Floats, b: Floats) -> Floats:
    """The sum of products of each row: (rows, points) twice -> (rows,)."""
    return np.asarray(np.einsum("ij,ij->i", a, b), dtype=np.float64)

"""Intraclass correlation of a table of athletes by occasions, and its intervals.

Source: Shrout & Fleiss 1979, Psychol Bull 86:420-428: ICC(3,1) is consistency, ICC(2,1) absolute agreement.
The interval of ICC(2,1) is theirs too; a reprint shows the upper bound of ICC(3,1) as a division, they
multiply.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from scipy.special import fdtri

from pipeline.numerics.percentiles import Floats


class MeanSquares(NamedTuple):
    """Two-way analysis of variance without replication: between rows, between columns, error."""

    rows: Floats
    columns: Floats
    error: Floats


class Interval(NamedTuple):
    """An estimate with the ends of its interval."""

    value: Floats
    low: Floats
    high: Floats


def mean_squares(tables: Floats) -> MeanSquares:
    """Mean squares of many tables: (..., n, k) -> (...,) each; n >= 2 rows (athletes), k >= 2 columns.

    Sums run over the distance from the first cell, so that equal leading digits cost no precision.
    """
    n, k = tables.shape[-2:]
    away = tables - tables[..., :1, :1]
    overall = away.mean(axis=(-2, -1), keepdims=True)
    of_row, of_column = away.mean(axis=-1, keepdims=True), away.mean(axis=-2, keepdims=True)
    left = away - of_row - of_column + overall
    return MeanSquares(
        k * ((of_row - overall) ** 2).sum(axis=(-2, -1)) / (n - 1),
        n * ((of_column - overall) ** 2).sum(axis=(-2, -1)) / (k - 1),
        (left**2).sum(axis=(-2, -1)) / ((n - 1) * (k - 1)),
    )


def icc_consistency(squares: MeanSquares, n: Floats, k: int, level: float) -> Interval:
    """ICC(3,1) with its interval at `level`; NaN where nothing varies. Negative is shown as it is."""
    between, _, error = squares
    value = _ratio(between - error, between + (k - 1) * error)
    tail = (1 + level) / 2
    few, many = n - 1, (n - 1) * (k - 1)
    f = _ratio(between, error)
    low, high = f / fdtri(few, many, tail), f * fdtri(many, few, tail)
    # (f - 1) / (f + k - 1), written so that it is 1 where nothing but the athletes varies and f is infinite.
    return Interval(value, 1 - k / (low + k - 1), 1 - k / (high + k - 1))


def icc_agreement(squares: MeanSquares, n: Floats, k: int, level: float) -> Interval:
    """ICC(2,1) with its interval at `level`; NaN where nothing varies. Negative is shown as it is."""
    between, columns, error = squares
    r = _ratio(between - error, between + (k - 1) * error + k * (columns - error) / n)
    f = _ratio(columns, error)
    own = n * (1 + (k - 1) * r) - k * r
    freedom = _ratio((n - 1) * (k - 1) * (k * r * f + own) ** 2, (n - 1) * k**2 * r**2 * f**2 + own**2)
    tail, rest = (1 + level) / 2, k * columns + (k * n - k - n) * error
    below, above = fdtri(n - 1, freedom, tail), fdtri(freedom, n - 1, tail)
    low = _ratio(n * (between - below * error), below * rest + n * between)
    high = _ratio(n * (above * between - error), rest + n * above * between)
    return Interval(r, low, high)


def _ratio(above: Floats, below: Floats) -> Floats:
    with np.errstate(divide="ignore", invalid="ignore"):
        return np.asarray(above / below)

"""Left against right, by one convention everywhere."""

from __future__ import annotations

import polars as pl


def side_difference(right: pl.Expr, left: pl.Expr) -> pl.Expr:
    """Difference of the sides [%]: 100 (right - left) / max(right, left); positive where the right is higher.

    `right`, `left`: values above 0 of the same quantity and unit; NULL where one of them is. Between -100
    and 100, and swapping the sides flips the sign. The convention is this house's (methods, corrections 1).
    """
    return 100 * (right - left) / pl.max_horizontal(right, left)

"""Repeated readings: how far they scatter about their own mean, and the technical error that follows."""

from __future__ import annotations

import polars as pl


def squares_within(readings: pl.Expr) -> pl.Expr:
    """Within a group: the sum of squares of readings about their mean [the readings' unit, squared].

    For two readings that is d² / 2, d their difference. Sorted first, so that no digit hangs on their order.
    """
    ordered = readings.sort()
    return ((ordered - ordered.mean()) ** 2).sum()


def technical_error(squares: pl.Expr, degrees: pl.Expr) -> pl.Expr:
    """Technical error of measurement [the readings' unit]: the pooled SD of readings of the same thing.

    `squares`: sums of squares within each thing, added up; `degrees`: readings less things, above 0.
    For n duplicates it is sqrt(sum d² / (2 n)) (Ulijaszek & Kerr 1999, Br J Nutr 82:165-177); for more
    readings the pooled within SD, which that is a case of. Not the typical error SD(d) / sqrt(2), which
    takes the mean difference out: a drift from the first to the second reading is error here.
    """
    return (squares / degrees).sqrt()

"""Fits as the family modules give them: one row a fit, with the values it came to or why it was refused."""

from __future__ import annotations

from collections.abc import Sequence

import polars as pl

from pipeline.metrics.rows import CARRIED
from schemas.catalogue import SERIES_KEYS
from schemas.codes import CODES

FIT_VALUE = pl.Struct({"name": pl.String, "value": pl.Float64, "error": pl.Float64, "unit": pl.String})


def fit_value(name: str, unit: str, value: pl.Expr, error: pl.Expr | None = None) -> pl.Expr:
    """A value that a fit came to, with its standard error [unit]; NULL: not known."""
    return pl.struct(
        name=pl.lit(name),
        value=value.cast(pl.Float64),
        error=(pl.lit(None) if error is None else error).cast(pl.Float64),
        unit=pl.lit(unit),
    ).cast(FIT_VALUE)


def fits_of(
    frame: pl.DataFrame, kind: str, metric: str, residual_unit: str, values: Sequence[pl.Expr]
) -> pl.DataFrame:
    """Fits of one kind, a row each: kind, metric (whose series it is of), the carried columns, series keys,
    n, residual_sd [residual_unit], why_not (NULL: accepted), values.

    `frame` has the carried columns, the series keys as text, `n`, `residual_sd` and `why_not`. Values that
    are NULL are left out; a refused fit has none.
    """
    keys = [key for key in SERIES_KEYS if key in frame.columns and key not in CARRIED]
    told = pl.concat_list(values).list.filter(pl.element().struct.field("value").is_not_null())
    return frame.select(
        pl.lit(kind).alias("kind"),
        pl.lit(metric).alias("metric"),
        *CARRIED,
        *keys,
        pl.col("n").cast(pl.Int32),
        pl.col("residual_sd").cast(pl.Float64),
        pl.lit(residual_unit).alias("residual_unit"),
        pl.col("why_not").cast(pl.String),
        pl.when(pl.col("why_not").is_null()).then(told).alias("values"),
    )


def sentence(code: pl.Expr) -> pl.Expr:
    """The sentence of a code, NULL where there is none."""
    sentences = {name: one.sentence for name, one in CODES.items()}
    return code.replace_strict(sentences, default=None, return_dtype=pl.String)


def first_reason(reasons: Sequence[tuple[pl.Expr, pl.Expr | str]]) -> pl.Expr:
    """The sentence of the first condition that holds, NULL where none does; NULL conditions do not hold."""
    said = [
        pl.when(holds.fill_null(False)).then(pl.lit(text) if isinstance(text, str) else text)
        for holds, text in reasons
    ]
    return pl.coalesce(*said)

"""Which tests have no group that is large enough yet, and how far they are from one."""

from __future__ import annotations

from datetime import date

import polars as pl

from pipeline.analysis.one_value import may_enter
from pipeline.analysis.populations import age_band

# Fewer athletes than this are not counted for everybody to see.
COUNTED_FROM = 5


def too_few(
    results: pl.DataFrame, people: pl.DataFrame, metrics: list[str], sunday: date
) -> list[tuple[str, int | None]]:
    """The metrics of `metrics` with a result that may enter norms, and how many athletes they have, in order.

    `results` are those of the window; `people` has athlete_id, sex and birth_date. Athletes are counted in
    one series and one group of sex and age on `sunday`; the largest count stands for the metric, None where
    it is below COUNTED_FROM.
    """
    usable = results.filter(pl.col("metric").is_in(metrics), may_enter())
    banded = people.select("athlete_id", "sex", band=age_band(pl.col("birth_date"), sunday)).drop_nulls()
    sizes = (
        usable.join(banded, on="athlete_id", how="left")
        .group_by("metric", "series_id", "sex", "band")
        .agg(n=pl.when(pl.col("band").is_not_null()).then(pl.col("athlete_id")).drop_nulls().n_unique())
    )
    largest = dict(sizes.group_by("metric").agg(pl.col("n").max()).iter_rows())
    return [(m, n if n >= COUNTED_FROM else None) for m in metrics if (n := largest.get(m)) is not None]

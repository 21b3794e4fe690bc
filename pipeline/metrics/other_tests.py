"""Other tests: the facility's own, each as it is declared in the catalogue."""

from __future__ import annotations

from collections.abc import Mapping

import polars as pl

from pipeline.metrics.rows import values_of, with_codes, with_series_keys
from pipeline.reading.units import base_unit, conversion, dimension
from schemas.catalogue import Metric

FAMILY = "other_tests"
TABLE = "other_trials"
_FEEDS = {
    "test": pl.String,
    "metric": pl.String,
    "lift": pl.String,
    "variant": pl.String,
    "unit": pl.String,
    "numerator": pl.Int64,
    "denominator": pl.Int64,
}


def flag(trials: pl.DataFrame) -> pl.DataFrame:
    """`other_trials` with the codes that a row alone gives: its mark."""
    return with_codes(trials, {})


def measure_declared(trials: pl.DataFrame, catalogue: Mapping[str, Metric]) -> pl.DataFrame:
    """Values of `other_trials` as `flag` returns them, long, each in the unit of its metric.

    A test that no metric of the catalogue is fed by has no values, nor has a row whose unit is of another
    kind than the metric's.
    """
    rows = with_series_keys(trials).join(_feeds(catalogue), on=["test", "unit"], how="inner", validate="m:1")
    in_unit = pl.col("value") * pl.col("denominator") / pl.col("numerator")
    parts = [
        values_of(part, str(metric), in_unit)
        for (metric,), part in rows.partition_by("metric", as_dict=True, maintain_order=True).items()
    ]
    return pl.concat([values_of(rows.clear(), "", in_unit), *parts])


def _feeds(catalogue: Mapping[str, Metric]) -> pl.DataFrame:
    """A row a test: its metric, the base unit that its values are held in, and how many of it the metric's
    unit is (numerator / denominator)."""
    found = [
        (
            feed.test,
            metric.metric,
            feed.lift,
            feed.variant,
            base_unit(dimension(metric.unit)),
            *conversion(metric.unit).as_integer_ratio(),
        )
        for metric in catalogue.values()
        for feed in metric.fed_by
    ]
    return pl.DataFrame(found, schema=_FEEDS, orient="row")

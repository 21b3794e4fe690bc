"""Skinfold calipers: folds by site, sums of whole site sets, and the measurer's technical error."""

from __future__ import annotations

import polars as pl

from pipeline.metrics.composition import composition
from pipeline.metrics.rows import (
    by_occasion,
    codes_of,
    excluded,
    inputs_within,
    values_of,
    with_codes,
    with_series_keys,
)
from pipeline.metrics.witness import CODE, SKINFOLD_SUM, disagrees
from pipeline.numerics.repeats import squares_within, technical_error
from schemas.families.skinfold_calipers import SITE_SETS

FAMILY = "skinfold_calipers"
TABLE = "skinfold_readings"
APART_SHARE = 0.05
APART_MM = 0.5
"""Two readings further apart than both need a third (common practice, no source; methods, B7)."""
_EQUAL = 1e-9  # readings are decimal texts: 12.1 - 11.6 is not above 0.5
_SAME_FOLD = ["session_id", "device", "method_version", "site", "measurer"]


def flag(trials: pl.DataFrame) -> pl.DataFrame:
    """`skinfold_readings` with the codes of a row and of its fellows at the site.

    `single_reading`: the only one of its measurer that counts. `third_reading_due`: one of two that differ
    by more than `APART_SHARE` of their mean and more than `APART_MM` [mm]. A witness disagrees where it is
    neither the sum of all folds of the measurer nor that of a site set.
    """
    counts = (pl.col("mark") == "ok") & ~excluded(pl.col("flags"))
    reading = pl.when(counts).then(pl.col("thickness_mm"))
    n = reading.count().over(_SAME_FOLD)
    apart = (reading.max() - reading.min()).over(_SAME_FOLD)
    least = pl.max_horizontal(pl.lit(APART_MM), APART_SHARE * reading.mean().over(_SAME_FOLD))
    own = {
        "single_reading": counts & (n == 1),
        "third_reading_due": counts & (n == 2) & (apart > least + _EQUAL),
        CODE: _another_sum(reading),
    }
    return with_codes(trials, own)


def _another_sum(reading: pl.Expr) -> pl.Expr:
    """Whether the export's sum is none that the readings give; `reading` [mm]: NULL where it counts not."""
    first = pl.int_range(pl.len()).over(_SAME_FOLD) == 0
    fold = pl.when(first).then(reading.median().over(_SAME_FOLD))
    told, site, same = pl.col("witness_sum_mm"), pl.col("site"), [k for k in _SAME_FOLD if k != "site"]
    total = fold.sum().over(same)
    other = disagrees(told, pl.when(total > 0).then(total), SKINFOLD_SUM)
    for named in SITE_SETS:
        of_set = pl.when(site.is_in(named.sites)).then(fold)
        whole = of_set.count().over(same) == len(named.sites)
        other &= ~whole | disagrees(told, of_set.sum().over(same), SKINFOLD_SUM)
    return other


def measure(trials: pl.DataFrame, masses: pl.DataFrame) -> pl.DataFrame:
    """Values of `skinfold_readings` as `flag` returns them, long: folds, sums, errors [mm], and errors [%].

    A reading is a value of `skinfold_site`; the session's result is their median, which of two is the mean.
    Sums and errors are of one occasion and measurer, each of the readings that count. `masses` says of whom
    density and fat are estimated (see `composition`).
    """
    rows = _keyed(trials)
    counted = rows.filter(~excluded(pl.col("flags")))
    folds = by_occasion(
        counted,
        ["measurer", "site"],
        fold=pl.col("thickness_mm").median(),
        n=pl.len(),
        total=pl.col("thickness_mm").sort().sum(),
        squares=squares_within(pl.col("thickness_mm")),
        flags=codes_of(pl.col("flags")),
        inputs=inputs_within(TABLE, pl.col("site")),
    )
    sums = _sums(folds)
    parts = [
        _readings(rows),
        values_of(sums, "skinfold_sum", pl.col("value"), inputs=pl.col("inputs")),
        composition(sums, masses),
        *_errors(folds),
    ]
    return pl.concat(parts, how="diagonal")


def measure_trials(trials: pl.DataFrame, masses: pl.DataFrame) -> pl.DataFrame:
    """Of the values that `measure` returns those of single readings."""
    return _readings(_keyed(trials))


def _keyed(trials: pl.DataFrame) -> pl.DataFrame:
    return with_series_keys(trials).with_columns(trial=pl.col("reading"))


def _readings(rows: pl.DataFrame) -> pl.DataFrame:
    return values_of(rows, "skinfold_site", pl.col("thickness_mm"))


def _sums(folds: pl.DataFrame) -> pl.DataFrame:
    """The sum of each site set [mm] that one measurer measured whole, from the fold of each of its sites."""
    members = pl.DataFrame(
        [(named.name, site, len(named.sites)) for named in SITE_SETS for site in named.sites],
        schema={"site_set": pl.String, "site": pl.String, "size": pl.Int64},
        orient="row",
    )
    sums = by_occasion(
        folds.join(members, on="site"),
        ["measurer", "site_set"],
        value=pl.col("fold").sort().sum(),
        whole=pl.len() == pl.col("size").first(),
        flags=codes_of(pl.col("flags")),
        inputs=pl.col("inputs").explode(),
    )
    return sums.filter("whole")


def _errors(folds: pl.DataFrame) -> list[pl.DataFrame]:
    """Technical error [mm] and its share of the mean reading [%], over the sites with several readings."""
    pooled = by_occasion(
        folds.filter(pl.col("n") > 1),
        ["measurer"],
        squares=pl.col("squares").sort().sum(),
        degrees=(pl.col("n") - 1).sum(),
        mean=pl.col("total").sort().sum() / pl.col("n").sum(),
        flags=codes_of(pl.col("flags")),
        inputs=pl.col("inputs").explode(),
    ).with_columns(error=technical_error(pl.col("squares"), pl.col("degrees")))
    share = 100 * pl.col("error") / pl.col("mean")
    return [
        values_of(pooled, "skinfold_technical_error", pl.col("error"), inputs=pl.col("inputs")),
        values_of(pooled, "skinfold_technical_error_percent", share, inputs=pl.col("inputs")),
    ]

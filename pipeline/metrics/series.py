"""Series: what must be equal for values to be compared, as a label, an id and a column a key."""

from __future__ import annotations

from collections.abc import Sequence

import polars as pl

from pipeline.ids import text_ids
from schemas.catalogue import SERIES_KEYS, Metric, keys_of_label

SIDE_KEYS = ("side", "leg", "direction")
_SIDE = "(left|right|both)$"  # of a neck's direction the last word: rotation_left
UNKNOWN = "unknown"
_NOTHING = pl.lit(None, dtype=pl.String)


def with_series(values: pl.DataFrame, metric: Metric) -> tuple[pl.DataFrame, pl.DataFrame]:
    """Values of one metric with `series_id` and the metric's keys as text, and no others; and their series.

    A row of the second is a series: series_id, metric, every key as text, `label`, `body_side`, `pair_id`. A
    key of the metric without a value is "unknown", which is a value like any other and equals itself;
    a key that is not the metric's is NULL. `pair_id` is equal for the left and the right of the same
    thing, and NULL where there are no two sides. Values of a series that the facility has joined to another
    are of that one, in all of these.
    """
    given = [key for key in metric.series_keys if key in values.columns]
    # Worked out once for all values whose keys are the same: there are few such sets of keys.
    as_given = {key: f"_given_{key}" for key in given}
    on = ["_all", *as_given.values()]
    rows = values.rename(as_given).select(pl.exclude(SERIES_KEYS), _all=pl.lit(0))
    distinct = rows.select(on).unique()
    series = _series(distinct.with_columns(pl.col(old).alias(key) for key, old in as_given.items()), metric)
    told = series.select(*on, "series_id", *metric.series_keys)
    placed = rows.join(told, on=on, how="left", nulls_equal=True, maintain_order="left").drop(on)
    return placed, series.unique("series_id")


def _series(values: pl.DataFrame, metric: Metric) -> pl.DataFrame:
    """Rows of the metric's keys with all that a series is."""
    used = metric.series_keys
    given = set(used) & set(values.columns)
    keys = [(pl.col(key) if key in given else _NOTHING).alias(key) for key in SERIES_KEYS]
    known = [pl.col(key).fill_null(UNKNOWN) for key in used]
    sides = [key for key in SIDE_KEYS if key in used]
    side = pl.coalesce(_NOTHING, *(pl.col(key).str.extract(_SIDE) for key in sides))
    sided = side.is_in(["left", "right"])
    labelled = _joined(values.with_columns(keys).with_columns(known), metric).with_columns(
        metric=pl.lit(metric.metric),
        label=_label(used),
        body_side=side,
        pair=pl.when(sided).then(_label(used, *(pl.col(key).str.replace(_SIDE, "") for key in sides))),
    )
    return labelled.with_columns(
        series_id=text_ids(labelled.select(pl.format(f"{metric.metric}|{{}}", "label")).to_series()),
        pair_id=text_ids(labelled.select(pl.format(f"{metric.metric}|{{}}", "pair")).to_series()),
    ).drop("pair")


def _joined(values: pl.DataFrame, metric: Metric) -> pl.DataFrame:
    """Values whose series is joined to another, with the keys of that one."""
    if not metric.joins:
        return values
    there = {label: keys_of_label(target, metric.series_keys) or {} for label, target in metric.joins}
    label = _label(metric.series_keys)
    return values.with_columns(
        label.replace_strict(
            {source: keys[key] for source, keys in there.items()}, default=pl.col(key), return_dtype=pl.String
        ).alias(key)
        for key in metric.series_keys
    )


def _label(keys: Sequence[str], *instead: pl.Expr) -> pl.Expr:
    """`key=value; key=value` in the order of `keys`; an empty text where there are none.

    `instead`: expressions that take the place of the columns of their names.
    """
    if not keys:
        return pl.lit("")
    values = {key: pl.col(key) for key in keys} | {value.meta.output_name(): value for value in instead}
    return pl.concat_str([pl.format(f"{key}={{}}", value) for key, value in values.items()], separator="; ")

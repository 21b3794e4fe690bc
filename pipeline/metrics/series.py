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


def with_series(values: pl.DataFrame, metric: Metric) -> pl.DataFrame:
    """Values of one metric with their series: keys as text, `label`, `series_id`, `body_side`, `pair_id`.

    A key of the metric without a value is "unknown", which is a value like any other and equals itself;
    a key that is not the metric's is NULL. `pair_id` is equal for the left and the right of the same
    thing, and NULL where there are no two sides. Values of a series that the facility has joined to another
    are of that one, in all of these.
    """
    used = metric.series_keys
    given = set(used) & set(values.columns)
    keys = [(pl.col(key) if key in given else _NOTHING).alias(key) for key in SERIES_KEYS]
    known = [pl.col(key).fill_null(UNKNOWN) for key in used]
    sides = [key for key in SIDE_KEYS if key in used]
    side = pl.coalesce(_NOTHING, *(pl.col(key).str.extract(_SIDE) for key in sides))
    sided = side.is_in(["left", "right"])
    labelled = _joined(values.with_columns(keys).with_columns(known), metric).with_columns(label=_label(used))
    # Once for each series: there are few of them beside their values.
    series = labelled.select("label", *used).unique("label")
    pair = pl.when(sided).then(_label(used, *(pl.col(key).str.replace(_SIDE, "") for key in sides)))
    named = series.select(
        "label",
        body_side=side,
        series_id=pl.format(f"{metric.metric}|{{}}", "label"),
        pair_id=pl.format(f"{metric.metric}|{{}}", pair),
    )
    ids = named.with_columns(text_ids(named["series_id"]), text_ids(named["pair_id"]))
    return labelled.join(ids, on="label", how="left", validate="m:1", maintain_order="left")


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

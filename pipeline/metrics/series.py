"""Series: what must be equal for values to be compared, as a label, an id and a column a key."""

from __future__ import annotations

from collections.abc import Sequence

import polars as pl

from pipeline.ids import text_ids
from schemas.catalogue import SERIES_KEYS, Metric

SIDE_KEYS = ("side", "leg")
UNKNOWN = "unknown"
_NOTHING = pl.lit(None, dtype=pl.String)


def with_series(values: pl.DataFrame, metric: Metric) -> pl.DataFrame:
    """Values of one metric with their series: keys as text, `label`, `series_id`, `body_side`, `pair_id`.

    A key of the metric without a value is "unknown", which is a value like any other and equals itself;
    a key that is not the metric's is NULL. `pair_id` is equal for the left and the right of the same
    thing, and NULL where there are no two sides.
    """
    used = metric.series_keys
    given = set(used) & set(values.columns)
    keys = [(pl.col(key) if key in given else _NOTHING).alias(key) for key in SERIES_KEYS]
    known = [pl.col(key).fill_null(UNKNOWN) for key in used]
    side = pl.coalesce(_NOTHING, *(key for key in SIDE_KEYS if key in used))
    sided = side.is_in(["left", "right"])
    labelled = (
        values.with_columns(keys)
        .with_columns(known)
        .with_columns(
            label=_label(used),
            body_side=pl.when(side.is_in(["left", "right", "both"])).then(side),
            pair=pl.when(sided).then(_label([key for key in used if key not in SIDE_KEYS])),
        )
    )
    return labelled.with_columns(
        series_id=text_ids(labelled.select(pl.format(f"{metric.metric}|{{}}", "label")).to_series()),
        pair_id=text_ids(labelled.select(pl.format(f"{metric.metric}|{{}}", "pair")).to_series()),
    ).drop("pair")


def _label(keys: Sequence[str]) -> pl.Expr:
    """`key=value; key=value` in the order of `keys`; an empty text where there are none."""
    if not keys:
        return pl.lit("")
    return pl.concat_str([pl.format(f"{key}={{}}", key) for key in keys], separator="; ")

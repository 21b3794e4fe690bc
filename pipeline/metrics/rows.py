"""What every family module does with trial rows: series keys as text, codes, and the long frame of values."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence

import polars as pl

from schemas.catalogue import SERIES_KEYS
from schemas.codes import EXCLUDING
from schemas.frames import polars_schema
from schemas.tables import TABLES

CARRIED = (
    "athlete_id",
    "session_id",
    "local_date",
    "performed_at_utc",
    "trial",
    "trial_id",
    "row_id",
    "device",
    "method_version",
)
INPUT = pl.Struct({"source_table": pl.String, "row_id": pl.String, "role": pl.String})


def thousandths(value: pl.Expr, unit: str) -> pl.Expr:
    """A quantity as text in its shortest form: `0.5 m`, `10 m`, `9.144 m`; NULL stays NULL.

    Rounded to thousandths of the unit, so lengths in m are compared as whole millimetres and masses in
    kg as whole grams: the same length written in feet gives the same text.
    """
    count = (value * 1000).round().cast(pl.Int64)
    size = count.abs()
    sign = pl.when(count < 0).then(pl.lit("-")).otherwise(pl.lit(""))
    text = pl.format("{}{}.{}", sign, size // 1000, (size % 1000).cast(pl.String).str.zfill(3))
    return text.str.strip_chars_end("0").str.strip_chars_end(".") + f" {unit}"


def with_series_keys(trials: pl.DataFrame) -> pl.DataFrame:
    """Trial rows with a text column for each series key that one of their columns gives."""
    keys = [
        (thousandths(pl.col(column), unit) if unit else pl.col(column)).alias(key)
        for key, (column, unit) in SERIES_KEYS.items()
        if column in trials.columns and column is not None
    ]
    return trials.with_columns(keys)


def join_codes(*texts: pl.Expr) -> pl.Expr:
    """Codes of several texts (each codes joined by ';', or NULL) as one: sorted, each once; NULL: none."""
    joined = pl.concat_str(texts, separator=";", ignore_nulls=True)
    return joined.map_batches(_tidy, return_dtype=pl.String, is_elementwise=True)


def _tidy(joined: pl.Series) -> pl.Series:
    """Joined codes sorted, each once: once for each distinct text, for there are few of them."""
    if joined.null_count() == len(joined):
        return joined
    distinct = joined.drop_nulls().unique()
    tidy = distinct.str.split(";").list.unique().list.sort().list.join(";").str.strip_chars_start(";")
    told = pl.select(pl.when(tidy != "").then(tidy)).to_series()
    return joined.replace_strict(distinct, told, default=None, return_dtype=pl.String)


def excluded(flags: pl.Expr) -> pl.Expr:
    """Whether one of the codes of a text takes the value out of results; NULL text: no."""
    return flags.str.contains(f"(^|;)({'|'.join(sorted(EXCLUDING))})(;|$)").fill_null(False)


def with_codes(trials: pl.DataFrame, own: Mapping[str, pl.Expr]) -> pl.DataFrame:
    """Trial rows whose `flags` also name the operator's mark and each code of `own` that holds."""
    mark = pl.when(pl.col("mark") != "ok").then(pl.col("mark"))
    codes = [pl.when(holds).then(pl.lit(code)) for code, holds in own.items()]
    return trials.with_columns(flags=join_codes(pl.col("flags"), mark, *codes))


def inputs_of(parts: Iterable[tuple[str, str, str]]) -> pl.Expr:
    """The rows behind a value, from (source table, column with the row's id, role)."""
    structs = [
        pl.struct(source_table=pl.lit(table), row_id=pl.col(column), role=pl.lit(role))
        for table, column, role in parts
    ]
    return pl.concat_list(structs)


def values_of(
    trials: pl.DataFrame,
    metric: str,
    value: pl.Expr,
    inputs: pl.Expr | None = None,
    flags: pl.Expr | None = None,
    keep_empty: bool = False,
    error: pl.Expr | None = None,
) -> pl.DataFrame:
    """One value a trial row, long: metric, the carried columns, value [metric's unit], keys, flags, inputs.

    Rows without a value are left out, unless `keep_empty`, where their flags say why there is none.
    `inputs` is NULL where `row_id` alone feeds the value. `error`: the standard error of a value that is
    fitted [metric's unit], as `standard_error`; NULL: not known from the value's own data.
    """
    keys = [key for key in SERIES_KEYS if key in trials.columns and key not in CARRIED]
    values = trials.select(
        pl.lit(metric).alias("metric"),
        *CARRIED,
        value.cast(pl.Float64).alias("value"),
        (pl.lit(None) if error is None else error).cast(pl.Float64).alias("standard_error"),
        *keys,
        (pl.col("flags") if flags is None else flags).alias("flags"),
        (pl.lit(None) if inputs is None else inputs).cast(pl.List(INPUT)).alias("inputs"),
    )
    return values if keep_empty else values.filter(pl.col("value").is_not_null())


def by_occasion(rows: pl.DataFrame, keys: Sequence[str], **sums: pl.Expr) -> pl.DataFrame:
    """One row an athlete's occasion, device and `keys`, with the carried columns and the aggregates `sums`.

    It is no trial, so trial and trial_id are NULL, and `row_id` is no row: it tells the value from others
    of its metric, and stays the same when rows are added. The rows behind a value are its `inputs`.
    """
    group = ["session_id", "athlete_id", "device", "method_version", *keys]
    occasions = rows.sort("row_id").group_by(group, maintain_order=True)
    made = occasions.agg(pl.col("local_date", "performed_at_utc").min(), **sums)
    name = pl.concat_str([pl.col(part).fill_null("") for part in group], separator="\x1f")
    return made.with_columns(
        row_id=name, trial=pl.lit(None, rows.schema["trial"]), trial_id=pl.lit(None, pl.String)
    )


def codes_of(flags: pl.Expr) -> pl.Expr:
    """Within a group: the codes of all its rows as one text, NULL where none has any."""
    return join_codes(flags.drop_nulls().unique().sort().str.join(";"))


def inputs_within(table: str, role: pl.Expr) -> pl.Expr:
    """Within a group: its rows as the inputs of one value, with the role that each plays."""
    return pl.struct(source_table=pl.lit(table), row_id=pl.col("row_id"), role=role)


def as_declared(frame: pl.DataFrame, name: str) -> pl.DataFrame:
    """The columns of a declared table out of a frame that has them, with their types."""
    columns = polars_schema(TABLES[name]).items()
    return frame.select(pl.col(column).cast(dtype) for column, dtype in columns)


def as_table(frame: pl.DataFrame, name: str) -> pl.DataFrame:
    """The columns of a declared table out of a frame that has them, with their types, sorted by its key."""
    return as_declared(frame, name).sort(TABLES[name].key)

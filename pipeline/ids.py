"""Ids: the first 16 hex digits of the MD5 of a text (fine print, "Keys and versions")."""

from __future__ import annotations

from functools import cache
from hashlib import md5

import duckdb
import polars as pl

# From so many texts on, what a query costs by itself is less than what it saves.
_MANY = 2_000


def text_id(text: str) -> str:
    """The id of one text: the first 16 hex digits of its MD5, as UTF-8."""
    return md5(text.encode("utf-8", "surrogatepass"), usedforsecurity=False).hexdigest()[:16]


def text_ids(texts: pl.Series) -> pl.Series:
    """The ids of a column of texts, in its order and of its length; NULL gives NULL."""
    runs = texts.rle_id()
    if len(texts) >= _MANY and runs[-1] < len(texts) / 2:
        # Texts that follow one another are often the same: a session's, say.
        starts = runs.is_first_distinct().arg_true()
        return text_ids(texts.gather(starts)).gather(runs)
    if len(texts) >= _MANY:
        # polars has no MD5; DuckDB's is several times as fast as a loop.
        query = _database().cursor()
        query.register("texts", pl.DataFrame({"text": texts}, {"text": pl.String}))
        ids: pl.Series = query.sql("SELECT left(md5(text), 16) AS id FROM texts").pl()["id"]
        return ids.alias(texts.name)
    distinct = texts.drop_nulls().unique()
    found = pl.Series([text_id(text) for text in distinct], dtype=pl.String)
    return texts.replace_strict(distinct, found, default=None, return_dtype=pl.String)


@cache
def _database() -> duckdb.DuckDBPyConnection:
    """A database of nothing, for its functions."""
    connection = duckdb.connect(":memory:")
    connection.execute("SET enable_progress_bar = false")
    return connection

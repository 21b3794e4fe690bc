"""Ids: the first 16 hex digits of the MD5 of a text (fine print, "Keys and versions")."""

from __future__ import annotations

from hashlib import md5

import polars as pl


def text_id(text: str) -> str:
    """The id of one text: the first 16 hex digits of its MD5, as UTF-8."""
    return md5(text.encode("utf-8"), usedforsecurity=False).hexdigest()[:16]


def text_ids(texts: pl.Series) -> pl.Series:
    """The ids of a column of texts, in its order and of its length; NULL gives NULL.

    polars has no MD5, so each distinct text is hashed once in Python (about 1 µs each).
    """
    distinct = texts.drop_nulls().unique()
    ids = pl.Series([text_id(text) for text in distinct], dtype=pl.String)
    return texts.replace_strict(distinct, ids, default=None, return_dtype=pl.String)

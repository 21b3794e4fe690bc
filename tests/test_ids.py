"""Ids against the standard: MD5 of RFC 1321."""

import polars as pl

from pipeline.ids import text_id, text_ids


def test_the_md5_of_the_standard() -> None:
    # RFC 1321, A.5 test suite: MD5("abc") = 900150983cd24fb0d6963f7d28e17f72.
    assert text_id("abc") == "900150983cd24fb0"


def test_a_column_keeps_its_order_and_its_gaps() -> None:
    ids = text_ids(pl.Series(["b", None, "abc", "b"]))
    assert ids.to_list() == [text_id("b"), None, text_id("abc"), text_id("b")]


def test_a_long_column_with_runs_of_equal_texts() -> None:
    texts = pl.Series([None if n % 7 == 0 else str(n) for n in range(1_000) for _ in range(5)])
    assert text_ids(texts).to_list() == [None if text is None else text_id(text) for text in texts]


def test_an_empty_column() -> None:
    assert text_ids(pl.Series([], dtype=pl.String)).to_list() == []

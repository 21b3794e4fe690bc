"""Series keys as text, and codes joined."""

import polars as pl
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from pipeline.metrics.rows import excluded, join_codes, thousandths


def as_text(value: float, unit: str = "m") -> str:
    return str(pl.select(thousandths(pl.lit(value), unit)).item())


@pytest.mark.parametrize(
    ("metres", "text"),
    [
        (0.5, "0.5 m"),
        (10.0, "10 m"),
        (100.0, "100 m"),
        (9.144, "9.144 m"),
        (0.305, "0.305 m"),
        (0.0, "0 m"),
        (-0.5, "-0.5 m"),
        (10 * 0.9144, "9.144 m"),  # ten yards; the international yard is 0.9144 m exactly (1959 agreement)
        (0.1 + 0.2, "0.3 m"),
    ],
)
def test_lengths_print_in_their_shortest_form(metres: float, text: str) -> None:
    assert as_text(metres) == text


def test_a_missing_length_stays_missing() -> None:
    assert pl.select(thousandths(pl.lit(None, dtype=pl.Float64), "m")).item() is None


@settings(deadline=None)
@given(st.integers(min_value=0, max_value=1_000_000))
def test_equal_millimetres_are_equal_text_and_others_are_not(millimetres: int) -> None:
    text = as_text(millimetres / 1000)
    assert round(float(text.removesuffix(" m")) * 1000) == millimetres
    assert as_text(millimetres / 1000 + 0.0004) == text
    assert as_text((millimetres + 1) / 1000) != text


def test_codes_are_sorted_and_each_once() -> None:
    frame = pl.DataFrame(
        {"a": ["warm_up;failed", None, "", None], "b": ["failed", "range_soft", None, None]},
        schema={"a": pl.String, "b": pl.String},
    )
    joined = frame.select(join_codes(pl.col("a"), pl.col("b"))).to_series().to_list()
    assert joined == ["failed;warm_up", "range_soft", None, None]


def test_only_whole_codes_exclude() -> None:
    flags = pl.DataFrame({"flags": ["range_soft;warm_up", "not_failed", "failed", None, "range_soft"]})
    assert flags.select(excluded(pl.col("flags"))).to_series().to_list() == [True, False, True, False, False]

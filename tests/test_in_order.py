"""Rows are sorted where they are not, and given back as they are where they are."""

from __future__ import annotations

from datetime import date, timedelta

import polars as pl
from hypothesis import given
from hypothesis import strategies as st

from pipeline.in_order import sorted_by

_SCHEMA = {"day": pl.Date, "name": pl.String, "number": pl.Int32, "used": pl.Boolean}
_DAYS = st.integers(0, 2).map(lambda day: date(2026, 1, 1) + timedelta(days=day))
_ROWS = st.lists(
    st.tuples(
        *(st.none() | one for one in (_DAYS, st.sampled_from("aBé"), st.integers(0, 2), st.booleans()))
    ),
    max_size=6,
)


@given(_ROWS)
def test_rows_come_out_as_polars_sorts_them_and_equal_ones_stay_in_their_order(
    rows: list[tuple[object, ...]],
) -> None:
    frame = pl.DataFrame(rows, schema=_SCHEMA, orient="row").with_row_index("place")
    for key in (["day", "name"], ["name", "number", "used"], ["used"]):
        wanted = frame.sort(key, maintain_order=True)
        assert sorted_by(frame, key).equals(wanted)
        assert sorted_by(wanted, key) is wanted

"""Dates of a column: unambiguous ones, an order proved by the column, and none guessed."""

from __future__ import annotations

from datetime import date

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from pipeline.facility.dates import read_dates

DAY = date(2026, 2, 28)


@pytest.mark.parametrize(
    "cell",
    ["2026-02-28", "2026-2-28", "2026/02/28", "2026-02-28 00:00:00", "28.02.2026", "28.2.2026", "28. 2. 2026",
     "28 Feb 2026", "28-Feb-2026", "28. February 2026", "28/02/2026", "02/28/2026", "28-02-2026"],
)  # fmt: skip
def test_one_day_written_in_many_ways(cell: str) -> None:
    assert read_dates({7: cell}) == ({7: DAY}, {})


@pytest.mark.parametrize(
    "cell", ["31.02.2026", "2026-13-01", "Feb 2026", "45992", "28.02.26", "28 Mai 2026", "?"]
)
def test_what_is_no_date_is_named(cell: str) -> None:
    dates, faults = read_dates({3: cell, 4: "2026-02-28"})
    assert dates == {4: DAY}
    assert list(faults) == [3] and repr(cell) in faults[3] and "2026-02-28" in faults[3]


def test_a_column_that_may_be_either_order_is_one_fault() -> None:
    dates, faults = read_dates({2: "01/01/2026", 3: "03/04/2026", 4: "05/06/2026"})
    assert dates == {}
    assert list(faults) == [3] and "day/month or month/day" in faults[3]


def test_equal_day_and_month_need_no_proof() -> None:
    assert read_dates({2: "05/05/2026"}) == ({2: date(2026, 5, 5)}, {})


def test_a_column_of_both_orders_is_a_fault() -> None:
    _, faults = read_dates({2: "28/02/2026", 3: "03/04/2026", 4: "02/28/2026"})
    assert list(faults) == [4] and "line 2" in faults[4]


@settings(deadline=None, max_examples=60)
@given(
    st.lists(st.dates(date(1905, 1, 1), date(2090, 1, 1)), min_size=1),
    st.sampled_from(["%d/%m/%Y", "%m/%d/%Y"]),
)
def test_a_proved_order_reads_back(days: list[date], fmt: str) -> None:
    days.append(date(2001, 6, 30))
    read, faults = read_dates({i: day.strftime(fmt) for i, day in enumerate(days)})
    assert faults == {} and read == dict(enumerate(days))

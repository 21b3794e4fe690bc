"""Dates of an unknown export: proven, or asked about; never guessed."""

from __future__ import annotations

from datetime import date, timedelta

import polars as pl
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from pipeline.intake.propose.moments import Moment, find_moment, writes_months
from pipeline.reading.times import check_format, parse_local


def moment(*cells: str | None) -> Moment | None:
    return find_moment(pl.Series(cells, dtype=pl.String), pl.Series(range(2, 2 + len(cells)), dtype=pl.Int32))


@pytest.mark.parametrize(
    ("cells", "kind", "fmt"),
    [
        (["2025-09-03", "2025-09-04"], "date", "%Y-%m-%d"),
        (["03.09.2025", "17.09.2025"], "date", "%d.%m.%Y"),
        (["3/9/2025", "9/17/2025"], "date", "%m/%d/%Y"),
        (["17-09-25", "03-09-25"], "date", None),
        (["2025/09/03 09:10", "2025/09/04 10:10"], "moment", "%Y/%m/%d %H:%M"),
        (["2025-09-22T18:01:02+0100"], "moment", "%Y-%m-%dT%H:%M:%S%z"),
        (["09/17/2025 3:45:10 PM"], "moment", "%m/%d/%Y %I:%M:%S %p"),
        (["17.09.2025, 16:01:02.5"], "moment", "%d.%m.%Y, %H:%M:%S.%f"),
        (["20250903", "20250917"], "date", "%Y%m%d"),
        (["1759046424000", "1759046439000"], "moment", "epoch_ms"),
        (["1759046424", "1759046439.5"], "moment", "epoch_s"),
        (["16:31:15", "16:32:30"], "time", "%H:%M:%S"),
        (["4:31 PM"], "time", "%I:%M %p"),
    ],
)
def test_formats_are_found(cells: list[str], kind: str, fmt: str | None) -> None:
    found = moment(*cells)
    assert found is not None and found.kind == kind
    if fmt is None:  # two digits of a year are three possible orders
        assert len(found.formats) > 1
    else:
        assert found.formats == (fmt,)


@pytest.mark.parametrize(
    "cells", [["6:26.4", "7:01.2"], ["1.132", "1.9"], ["5-11", "6-0"], ["a", "b"], [None]]
)
def test_what_is_no_moment_is_none(cells: list[str | None]) -> None:
    assert moment(*cells) is None


def test_the_proof_names_day_and_line() -> None:
    found = moment("03/04/2025", "17/04/2025")
    assert found is not None and found.formats == ("%d/%m/%Y",)
    assert "a day of 17 in line 3" in found.proof


@pytest.mark.mode(11)
def test_an_order_that_no_cell_proves_is_a_question() -> None:
    found = moment("03/04/2025 10:00", "05/06/2025 11:00")
    assert found is not None
    assert found.formats == ("%d/%m/%Y %H:%M", "%m/%d/%Y %H:%M")
    assert "line 2" in found.proof


def test_cells_that_contradict_each_other_are_a_question() -> None:
    found = moment("13/05/2025", "14/05/2025", "05/15/2025", "05/16/2025")
    assert found is not None and len(found.formats) == 2
    assert "line 2" in found.proof and "line 4" in found.proof


def test_one_faulty_date_among_many_does_not_hide_the_format() -> None:
    found = moment(*["16.09.2025"] * 30, "45.09.2025", *[f"{day}.09.2025" for day in range(10, 29)])
    assert found is not None and found.formats == ("%d.%m.%Y",)


days = st.dates(date(2015, 1, 1), date(2035, 12, 31))


@settings(deadline=None)
@given(
    st.lists(days, min_size=1, max_size=12), st.sampled_from(["%d/%m/%Y", "%m/%d/%Y", "%d.%m.%Y", "%Y-%m-%d"])
)
def test_one_format_is_chosen_only_where_it_is_the_only_one(chosen: list[date], fmt: str) -> None:
    cells = [day.strftime(fmt) for day in chosen]
    found = moment(*cells)
    assert found is not None
    assert all(check_format(one) == [] for one in found.formats)
    assert fmt in found.formats
    if len(found.formats) == 1:
        assert parse_local(pl.Series(cells), found.formats[0])["local"].dt.date().to_list() == chosen
    provable = fmt.startswith("%Y") or any(day.day > 12 for day in chosen)
    assert (len(found.formats) == 1) == provable


@settings(deadline=None)
@given(days, st.integers(0, 86_399))
def test_a_time_beside_the_date_changes_nothing(day: date, second: int) -> None:
    clock = str(timedelta(seconds=second)).zfill(8)
    found = moment(f"{day:%Y-%m-%d} {clock}")
    assert found is not None and found.formats == ("%Y-%m-%d %H:%M:%S",)


def test_a_dotted_date_of_two_digit_years_is_no_time_of_day() -> None:
    found = moment("15.09.25", "16.09.25")
    assert found is not None and found.kind == "date"
    assert found.formats == ("%d.%m.%y", "%y.%m.%d")


def test_months_written_as_words_are_noticed() -> None:
    assert writes_months(pl.Series(["13 May 2025", "1 Sep 2025"]))
    assert not writes_months(pl.Series(["13.05.2025", "Anna 12"]))

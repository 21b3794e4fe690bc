"""State on a date and constant spans, against a plain loop over the lines."""

from __future__ import annotations

from datetime import date, timedelta
from itertools import pairwise
from typing import Any

import polars as pl
from hypothesis import given, settings
from hypothesis import strategies as st

from pipeline.facility.periods import periods_table, restricted_periods, state_on
from schemas.models import table_model

SCHEMA = {
    "line": pl.Int32, "athlete_id": pl.String, "valid_from": pl.Date, "valid_until": pl.Date,
    "squad": pl.String, "sport": pl.String, "position": pl.String, "competition_level": pl.String,
    "status": pl.String, "restriction": pl.String,
}  # fmt: skip
COLUMNS = list(SCHEMA)[4:9]
FIRST = date(2025, 1, 1)
AVAILABLE = {"full": "yes", "modified": "limited", "rehab": "limited", "paused": "no"}
days = st.integers(0, 14).map(lambda n: FIRST + timedelta(days=n))
words = st.sampled_from([None, None, "x", "y|z"])
lines = st.lists(
    st.tuples(
        st.sampled_from(["a", "b"]), st.none() | days, st.none() | days, words, words, words, words,
        st.sampled_from([None, *AVAILABLE]), words,
    ),
    max_size=7,
)  # fmt: skip


def frame(rows: list[tuple[Any, ...]]) -> pl.DataFrame:
    numbered = [
        (line, *row) for line, row in enumerate(rows, 2) if not (row[1] and row[2] and row[2] < row[1])
    ]
    return pl.DataFrame(numbered, schema=SCHEMA, orient="row")


def naive(periods: pl.DataFrame, who: str, day: date, columns: list[str]) -> list[Any] | None:
    """What the lines say on a day, by the rule's words; None where no line is in force."""
    in_force = [
        row for row in periods.iter_rows(named=True)
        if row["athlete_id"] == who
        and (row["valid_from"] is None or row["valid_from"] <= day)
        and (row["valid_until"] is None or row["valid_until"] >= day)
    ]  # fmt: skip
    in_force.sort(key=lambda row: (row["valid_from"] or date.min, row["line"]))
    state = []
    for column in columns:
        said = [row[column] for row in in_force if row[column] is not None]
        state.append(said[-1] if said else None)
    return state if in_force else None


@settings(deadline=None, max_examples=60)
@given(lines, st.lists(st.tuples(st.sampled_from(["a", "b", "c"]), days), max_size=8))
def test_state_on_is_the_rule(rows: list[tuple[Any, ...]], asked: list[tuple[str, date]]) -> None:
    periods = frame(rows)
    dates = pl.DataFrame(asked, schema={"athlete_id": pl.String, "on": pl.Date}, orient="row")
    got = state_on(periods, dates)
    expected = []
    for who, day in asked:
        *state, status = naive(periods, who, day, COLUMNS) or [None] * 5
        expected.append((who, day, *state, status or "full", AVAILABLE[status or "full"]))
    assert got.rows() == expected


@settings(deadline=None, max_examples=60)
@given(lines)
def test_spans_are_the_states_of_all_days(rows: list[tuple[Any, ...]]) -> None:
    periods = frame(rows)
    table = table_model("athlete_periods").validate(periods_table(periods), lazy=True)
    hidden = table_model("restricted_periods").validate(restricted_periods(periods), lazy=True)
    for who in ("a", "b"):
        for n in range(-3, 20):
            day = FIRST + timedelta(days=n)
            state = naive(periods, who, day, [*COLUMNS, "restriction"])
            on_day = _holding(table, who, day)
            assert on_day == ([(*state[:4], AVAILABLE[state[4] or "full"])] if state else [])
            status, restriction = (state[4] or "full", state[5]) if state else ("full", None)
            is_restricted = status != "full" or restriction is not None
            assert _holding(hidden, who, day) == ([(status, restriction)] if is_restricted else [])


@settings(deadline=None, max_examples=60)
@given(lines)
def test_neighbouring_spans_differ(rows: list[tuple[Any, ...]]) -> None:
    spans = periods_table(frame(rows)).rows()
    for (who, _, until, *state), (next_who, start, _, *next_state) in pairwise(spans):
        if who == next_who:
            assert until < start
            assert until + timedelta(days=1) < start or state != next_state


def _holding(table: pl.DataFrame, who: str, day: date) -> list[tuple[Any, ...]]:
    return [
        tuple(state)
        for athlete, start, end, *state in table.rows()
        if athlete == who and (start or date.min) <= day <= (end or date.max)
    ]


def test_a_gap_back_to_full_and_an_open_beginning() -> None:
    periods = frame([
        ("a", None, None, "S", "rowing", None, "national", "full", None),
        ("a", date(2025, 3, 1), date(2025, 3, 31), None, None, None, None, "rehab", "no running"),
        ("a", date(2025, 3, 15), None, "T", None, None, None, None, None),
    ])  # fmt: skip
    assert periods_table(periods).rows() == [
        ("a", None, date(2025, 2, 28), "S", "rowing", None, "national", "yes"),
        ("a", date(2025, 3, 1), date(2025, 3, 14), "S", "rowing", None, "national", "limited"),
        ("a", date(2025, 3, 15), date(2025, 3, 31), "T", "rowing", None, "national", "limited"),
        ("a", date(2025, 4, 1), None, "T", "rowing", None, "national", "yes"),
    ]
    assert restricted_periods(periods).rows() == [
        ("a", date(2025, 3, 1), date(2025, 3, 31), "rehab", "no running")
    ]

"""One value an athlete and series for a week: the median of the sessions that may enter norms."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date, timedelta
from functools import cached_property

import numpy as np
import polars as pl

from pipeline.numerics.grouped import ascending, medians_of_ranges
from pipeline.numerics.percentiles import Floats, Ints
from schemas.codes import EXCLUDING

WINDOW_DAYS = 365
# A provisional body mass may be from a later day, and norms of a past week must not look into the future.
LEFT_OUT = EXCLUDING | {"familiarisation", "not_fully_available", "mass_provisional"}
SERIES = ("metric", "series_id")
_DAY_BITS = 17  # 359 years of days
_FIRST_DAY = date(1900, 1, 1)
_EPOCH = date(1970, 1, 1)


@dataclass(frozen=True)
class Usable:
    """Sessions that may enter norms, sorted by athlete and series (a pair), then by date.

    `athletes` (a,) and `series` (metric, series_id) are sorted, and some may have no session; a pair is
    athlete * series + series; `keys` are pair << 17 | day; `numbers` are columns of the results in that
    order.
    """

    athletes: pl.Series
    series: pl.DataFrame
    keys: Ints
    numbers: dict[str, Floats]

    @cached_property
    def pairs(self) -> Ints:
        """The pairs that occur, ascending."""
        pair = self.keys >> _DAY_BITS
        found: Ints = pair[np.diff(pair, prepend=-1) != 0]
        return found


@dataclass(frozen=True)
class Values:
    """The values of a week, sorted by athlete and series, as places in the lists of `Usable`.

    `first` and `count`: where the sessions of each lie in `Usable.keys`.
    """

    athlete: Ints
    series: Ints
    value: Floats
    first: Ints
    count: Ints


def may_enter() -> pl.Expr:
    """Whether a result carries no code that keeps it out of norms."""
    left_out = pl.col("flags").str.split(";").list.set_intersection(sorted(LEFT_OUT)).list.len() > 0
    return left_out.fill_null(False).not_()


def in_window(week: date) -> pl.Expr:
    """Whether a local_date is one of the days that end with the Sunday of a week."""
    sunday = week + timedelta(days=6)
    return pl.col("local_date").is_between(sunday - timedelta(days=WINDOW_DAYS - 1), sunday)


def usable(
    results: pl.DataFrame,
    people: pl.DataFrame,
    weeks: Sequence[date],
    as_of: date,
    columns: tuple[str, ...] = ("value",),
) -> Usable:
    """The results of some people that may enter the norms of some weeks as of a date.

    With some of their real columns; NULL becomes NaN. `people` has athlete_id.
    """
    since = (min(weeks) if weeks else as_of) - timedelta(days=WINDOW_DAYS)
    recent = pl.col("local_date").is_between(since, as_of)
    # There are few different texts of flags: each is looked into once.
    texts = results.lazy().filter(recent).select(pl.col("flags").unique()).collect()
    left_out = pl.col("flags").is_in(texts.filter(~may_enter())["flags"].implode())
    entering = results.select(recent & ~left_out.fill_null(False)).to_series()
    # Texts are heavy: rows are copied with numbers in their place, not as they are.
    known = results.lazy().filter(entering)
    athletes = people["athlete_id"].unique().sort()
    placed = known.select(
        pl.col("athlete_id").cast(pl.Enum(athletes), strict=False).to_physical(),
        pl.col("local_date").to_physical(),
        pl.col("series_id").ne_missing(pl.col("series_id").shift()).alias("begins"),
        *(pl.col(name).cast(pl.Float64).fill_null(np.nan) for name in columns),
    ).collect()
    # Rows of a series, which is of one metric, mostly stand together: one of each stretch is looked at.
    first = placed["begins"].arg_true()
    stretches = results.select(SERIES)[entering.arg_true().gather(first)]
    series = stretches.unique().sort(SERIES)
    place = stretches.join(series.with_row_index("place"), on=SERIES, how="left", maintain_order="left")
    size = np.diff(first.to_numpy(), append=placed.height)
    keys = np.repeat(place["place"].cast(pl.Int64).to_numpy(), size)
    if placed["athlete_id"].null_count():
        of_people = placed["athlete_id"].is_not_null()
        keys, placed = keys[of_people.to_numpy()], placed.filter(of_people)
    keys += np.multiply(placed["athlete_id"].to_numpy(), series.height, dtype=np.int64)
    keys <<= _DAY_BITS
    keys += placed["local_date"].to_numpy()
    keys -= (_FIRST_DAY - _EPOCH).days
    keys, order = ascending(keys)
    return Usable(athletes, series, keys, {name: placed[name].to_numpy()[order] for name in columns})


def values_of_week(sessions: Usable, week: date) -> Values:
    """One value an athlete and series: the median of the sessions of the window of a week."""
    pairs = sessions.pairs
    end = (week - _FIRST_DAY).days + 7
    first = np.searchsorted(sessions.keys, (pairs << _DAY_BITS) + (end - WINDOW_DAYS))
    count = np.searchsorted(sessions.keys, (pairs << _DAY_BITS) + end) - first
    some = count > 0
    athlete, series = np.divmod(pairs[some], max(sessions.series.height, 1))
    value = medians_of_ranges(sessions.numbers["value"], first[some], count[some])
    return Values(athlete, series, value, first[some], count[some])


def last_days(sessions: Usable, values: Values) -> pl.Series:
    """The date of the last session behind each value."""
    days = sessions.keys[values.first + values.count - 1] & ((1 << _DAY_BITS) - 1)
    since_epoch = days + (_FIRST_DAY - _EPOCH).days
    return pl.Series(since_epoch.astype(np.int32)).cast(pl.Date)

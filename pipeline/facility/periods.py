"""What an athlete was on a date: squad, sport, position, level and status, from dated lines.

For each column the line in force with the latest `from` that says something counts (of equal ones the
later in the file); where nothing is said about status it is full.
"""

from __future__ import annotations

import polars as pl

STATE = ("squad", "sport", "position", "competition_level", "status")
_AVAILABLE = {"full": "yes", "modified": "limited", "rehab": "limited", "paused": "no"}
_BEGINNING = pl.date(1, 1, 1)
_PUBLISHED = ("squad", "sport", "position", "competition_level", "available")


def state_on(periods: pl.DataFrame, athlete_dates: pl.DataFrame) -> pl.DataFrame:
    """Rows `athlete_id, on` (Date) with each one's state on that date, in the same order.

    Added: squad (text, several as `a|b`), sport, position, competition_level, status, available (yes,
    limited, no). `periods` as in `people.People`.
    """
    asked = athlete_dates.select("athlete_id", "on")
    said = _said(periods, asked.unique(), STATE)
    status = pl.col("status").fill_null("full")
    return asked.join(said, on=["athlete_id", "on"], how="left", maintain_order="left").select(
        "athlete_id", "on", *STATE[:-1], status, status.replace_strict(_AVAILABLE).alias("available")
    )


def periods_table(periods: pl.DataFrame) -> pl.DataFrame:
    """The table `athlete_periods`: disjoint spans in which an athlete's state stays the same.

    Only spans that some line speaks of; a null end is open. Sorted by athlete and date.
    """
    available = pl.col("status").fill_null("full").replace_strict(_AVAILABLE).alias("available")
    states = _constant_spans(periods, STATE).with_columns(available)
    return _merged(states, _PUBLISHED)


def restricted_periods(periods: pl.DataFrame) -> pl.DataFrame:
    """The table `restricted_periods`: spans in which an athlete is not fully available or is restricted."""
    columns = ("status", "restriction")
    spans = _constant_spans(periods, columns).with_columns(pl.col("status").fill_null("full"))
    spans = spans.filter((pl.col("status") != "full") | pl.col("restriction").is_not_null())
    return _merged(spans, columns)


def _said(periods: pl.DataFrame, asked: pl.DataFrame, columns: tuple[str, ...]) -> pl.DataFrame:
    """Rows `athlete_id, on` for which some line is in force, with what the lines say then."""
    after_start = pl.col("valid_from").is_null() | (pl.col("valid_from") <= pl.col("on"))
    before_end = pl.col("valid_until").is_null() | (pl.col("on") <= pl.col("valid_until"))
    in_force = asked.join(periods, on="athlete_id").filter(after_start & before_end)
    in_force = in_force.sort("valid_from", "line", nulls_last=False)
    last_said = [pl.col(column).drop_nulls().last() for column in columns]
    return in_force.group_by("athlete_id", "on").agg(last_said)


def _constant_spans(periods: pl.DataFrame, columns: tuple[str, ...]) -> pl.DataFrame:
    """Spans between any two days on which a line begins or ends, with what is said in them."""
    begins = periods.select("athlete_id", on=pl.col("valid_from").fill_null(_BEGINNING))
    ends = periods.select("athlete_id", on=pl.col("valid_until").dt.offset_by("1d")).drop_nulls()
    starts = pl.concat([begins, ends]).unique().sort("athlete_id", "on")
    last_day = pl.col("on").shift(-1).over("athlete_id").dt.offset_by("-1d")
    spans = starts.with_columns(valid_until=last_day)
    said = _said(periods, starts, columns)
    return spans.join(said, on=["athlete_id", "on"], maintain_order="left").rename({"on": "valid_from"})


def _merged(spans: pl.DataFrame, columns: tuple[str, ...]) -> pl.DataFrame:
    """Neighbouring spans of the same athlete and state as one; the beginning of time becomes null."""
    previous_end = pl.col("valid_until").shift(1).over("athlete_id")
    goes_on = (pl.col("valid_from") == previous_end.dt.offset_by("1d")).fill_null(False)
    same = [pl.col(column).eq_missing(pl.col(column).shift(1).over("athlete_id")) for column in columns]
    begins_anew = (~pl.all_horizontal(goes_on, *same)).cast(pl.Int32)
    runs = spans.with_columns(run=begins_anew.cum_sum())
    merged = runs.group_by("athlete_id", "run", maintain_order=True).agg(
        pl.col("valid_from").first(),
        pl.col("valid_until").last(),
        *(pl.col(column).first() for column in columns),
    )
    start = pl.when(pl.col("valid_from") != _BEGINNING).then("valid_from").alias("valid_from")
    return merged.select("athlete_id", start, "valid_until", *columns)

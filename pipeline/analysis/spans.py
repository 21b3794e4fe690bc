"""What a change is counted from: which earlier sessions each span compares with.

Only sessions of people fully available count, in the order they came: their number is their place.
"""

from __future__ import annotations

import polars as pl

from pipeline.analysis.usable import LINE, of_squads_and_athletes

BASELINE = 3
"""Sessions of a baseline, at most (fine print, "Time")."""
USUAL_DAYS = 28
"""Days before a session whose level is the usual one (fine print, "Time")."""
NEAR_DAYS = 42
"""How far a session may lie from the date asked for (judgement, after C6: dashed to 42 days)."""
BLOCK_SESSIONS = 2
"""Sessions before a block that are its baseline, at most (methods, C5)."""
INTO_BLOCK_DAYS = 14
"""Where there are none: days into the block of the first session that is taken instead (judgement)."""
_TO = ("look", "to_date")


def looks(days: pl.DataFrame) -> pl.DataFrame:
    """A row an athlete's series and week with a session: the last session of the week, and what came before.

    `days`: sorted by `LINE` and local_date, without familiarisation. Columns: all of `days`, week
    (Monday), to_date, row (number in `days`), nth (sessions of the series before it).
    """
    numbered = days.with_row_index("row").with_columns(
        pl.col("row").cast(pl.Int64),
        week=pl.col("local_date").dt.truncate("1w"),
        nth=pl.int_range(pl.len()).over(LINE),
        to_date=pl.col("local_date"),
    )
    return numbered.group_by(*LINE, "week", maintain_order=True).last()


def anchors(
    days: pl.DataFrame, at: pl.DataFrame, events: pl.DataFrame, squads: pl.DataFrame, season_start: str
) -> pl.DataFrame:
    """What each look of `at` (with its number, look) is compared with, a row a look and span.

    Columns: look, span, place (of the first session), count, from_date and from_row (of the last), from_y
    (their mean on the analysis scale), from_shares (mean of 1 / trials). `at` as `looks` gives it; a span
    without a session to compare with has no row. `season_start` is MM-DD.
    """
    steady = (
        days.with_row_index("row")
        .filter("full")
        .with_columns(pl.col("row").cast(pl.Int64), place=pl.int_range(pl.len()).over(LINE))
    )
    before = (
        at.select(*LINE, *_TO, "session_id")
        .join(steady.select(*LINE, "local_date", "row", "place", "y", "n_trials"), on=LINE)
        .filter(pl.col("local_date") < pl.col("to_date"))
    )
    ago = (pl.col("to_date") - pl.col("local_date")).dt.total_days()
    last = pl.col("place") == pl.col("place").max().over("look")
    block = _block_starts(at, events, squads)
    chosen = {
        "since_baseline": before.filter(pl.col("place") < BASELINE),
        "since_last": before.filter(last),
        "since_usual": before.filter(ago <= USUAL_DAYS),
        "since_season_start": _nearest(before, _season(pl.col("to_date"), season_start)),
        "since_year": _nearest(before, pl.col("to_date").dt.offset_by("-1y")),
        "since_block": _before_block(before.join(block, on="look")),
    }
    found = [
        rows.group_by("look").agg(
            span=pl.lit(span),
            place=pl.col("place").min(),
            count=pl.len().cast(pl.Int64),
            from_date=pl.col("local_date").max(),
            from_row=pl.col("row").max(),
            from_y=pl.col("y").sort().mean(),
            from_shares=(1 / pl.col("n_trials")).sort().mean(),
        )
        for span, rows in chosen.items()
    ]
    return pl.concat(found).sort("look", "span")


def _nearest(before: pl.DataFrame, day: pl.Expr) -> pl.DataFrame:
    """Of each look the session nearest to a day, the earlier of two; none where it is too far off."""
    off = (pl.col("local_date") - day).dt.total_days().abs()
    near = before.with_columns(off=off).filter(pl.col("off") <= NEAR_DAYS)
    return near.sort("look", "off", "place").group_by("look", maintain_order=True).first()


def _season(day: pl.Expr, start: str) -> pl.Expr:
    """The first day of the season that a day is in."""
    month, of_month = (int(part) for part in start.split("-"))
    own = pl.date(day.dt.year(), month, of_month)
    return pl.when(own <= day).then(own).otherwise(pl.date(day.dt.year() - 1, month, of_month))


def _block_starts(at: pl.DataFrame, events: pl.DataFrame, squads: pl.DataFrame) -> pl.DataFrame:
    """The day on which the latest training block of each look began: look, began."""
    rows = at.select("look", "to_date", "athlete_id", "session_id")
    met = of_squads_and_athletes(rows, events.filter(pl.col("kind") == "block"), squads)
    begun = met.filter(pl.col("from_date") < pl.col("to_date"))
    return begun.group_by("look").agg(began=pl.col("from_date").max())


def _before_block(before: pl.DataFrame) -> pl.DataFrame:
    """The last sessions up to the day a block began, else the first soon after."""
    into = (pl.col("local_date") - pl.col("began")).dt.total_days()
    rows = before.with_columns(into=into).filter(pl.col("into").is_between(-NEAR_DAYS, INTO_BLOCK_DAYS))
    earlier = rows.filter(pl.col("into") <= 0)
    nth_last = pl.col("place").max().over("look") - pl.col("place")
    earlier = earlier.filter(nth_last < BLOCK_SESSIONS)
    later = rows.join(earlier, on="look", how="anti")
    return pl.concat([earlier, later.filter(pl.col("place") == pl.col("place").min().over("look"))])

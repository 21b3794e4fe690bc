"""Repeats in operational data: what sessions days apart, and trials within one, say of error (methods, C3).

Everything is summed up over the year that ends on a week's Sunday; sums run over sorted values.
"""

from __future__ import annotations

from collections.abc import Sequence
from datetime import date

import polars as pl

from pipeline.analysis.one_value import in_window
from pipeline.analysis.usable import LINE

PAIR_DAYS = {"adult": 14, "youth": 7}
"""Days within which two sessions count as repeats; youths grow and learn faster (methods, C3)."""
_D = pl.col("d").sort()


def session_pairs(days: pl.DataFrame) -> pl.DataFrame:
    """Neighbouring sessions of an athlete's series that are repeats, a row a pair, with the later one's date.

    Columns: `LINE`, pool, age_class, local_date, d (later less earlier, analysis scale), middle (their
    mean), shares (mean of 1 / trials), nth (1: the first session of the series and the next), run (pairs of
    one unbroken run share it), repeat (whether it says something of error: not where the first session is
    one of the two).
    """

    def before(column: str) -> pl.Expr:
        return pl.col(column).shift(1).over(LINE)

    gap = (pl.col("local_date") - before("local_date")).dt.total_days()
    near = gap.is_between(1, pl.col("age_class").replace_strict(PAIR_DAYS, return_dtype=pl.Int64))
    fit = near & pl.col("full") & before("full") & ~pl.col("anew") & ~pl.col("crosses")
    rows = days.with_columns(
        d=pl.col("y") - before("y"),
        middle=(pl.col("y") + before("y")) / 2,
        shares=(1 / pl.col("n_trials") + 1 / before("n_trials")) / 2,
        nth=pl.int_range(pl.len()).over(LINE),
        repeat=~before("first"),
        fit=fit.fill_null(False),
    )
    opens = pl.col("fit") & ~(pl.col("fit").shift(1).over(LINE).fill_null(False) & pl.col("repeat").shift(1))
    rows = rows.with_columns(run=opens.cast(pl.Int64).cum_sum()).filter("fit")
    told = ("pool", "age_class", "local_date", "d", "middle", "shares", "nth", "run", "repeat")
    return rows.select(*LINE, *told)


def trial_squares(measurements: pl.DataFrame, days: pl.DataFrame) -> pl.DataFrame:
    """Squares of the used trials about their session's mean, on the analysis scale, a row a session with two.

    Columns: pool, age_class, local_date, squares, degrees. Sessions of people not fully available, and the
    first of a series, are left out.
    """
    steady = days.filter("full", ~pl.col("first"))
    known = steady.select("series_id", "session_id", "pool", "age_class", "local_date", "scale")
    trials = measurements.filter("used").select("series_id", "session_id", "value")
    rows = trials.join(known, on=["series_id", "session_id"]).filter(
        (pl.col("value") > 0) | (pl.col("scale") != "log")
    )
    y = pl.when(pl.col("scale") == "log").then(pl.col("value").log()).otherwise("value")
    # Sorted, so that no digit hangs on the order of rows.
    squares = ((y.sort() - y.sort().mean()) ** 2).sum()
    session = ("series_id", "session_id", "pool", "age_class", "local_date")
    sums = rows.group_by(session).agg(squares=squares, degrees=pl.len().cast(pl.Float64) - 1)
    return sums.filter(pl.col("degrees") > 0)


def sums_of_week(pairs: pl.DataFrame, trials: pl.DataFrame, by: Sequence[str], week: date) -> pl.DataFrame:
    """What a week's window holds, a row a group of `by`."""
    seen = pairs.filter(in_window(week), "repeat")
    apart = (pl.col("d") - pl.col("d").median()).abs().median()
    of_pairs = seen.group_by(by).agg(
        squares=(_D**2).sum(),
        sums=_D.sum(),
        pairs=pl.len().cast(pl.Float64),
        runs=pl.col("run").n_unique().cast(pl.Float64),
        n_athletes=pl.col("athlete_id").n_unique(),
        shares=pl.col("shares").sort().mean(),
        robust=1.4826 * apart / 2**0.5,
    )
    of_trials = (
        trials.filter(in_window(week))
        .group_by(by)
        .agg(trial_squares=pl.col("squares").sort().sum(), trial_degrees=pl.col("degrees").sum())
    )
    return of_pairs.join(of_trials, on=list(by), how="full", coalesce=True)


def learning_of_week(pairs: pl.DataFrame, week: date) -> pl.DataFrame:
    """Mean change from first to second session, a row a pool: learned, learned_sd, learners."""
    first = pairs.filter(in_window(week), ~pl.col("repeat"))
    return first.group_by("pool").agg(
        learned=_D.mean(), learned_sd=_D.std(), learners=pl.len().cast(pl.Float64)
    )


def lines(rows: pl.DataFrame) -> pl.DataFrame:
    """Sessions or pairs in the order of athletes' series and days, with `line`: an athlete's series in an age
    class has one number. So the last of each in a window is found without comparing texts week by week."""
    ordered = rows.sort(*LINE, "age_class", "local_date")
    return ordered.with_columns(line=pl.struct(*LINE, "age_class").rle_id())


def _last_of_window(rows: pl.DataFrame, week: date) -> pl.DataFrame:
    seen = rows.filter(in_window(week))
    return seen.filter((pl.col("line") != pl.col("line").shift(-1)).fill_null(True))


def agreement_of_week(pairs: pl.DataFrame, week: date) -> pl.DataFrame:
    """Mean squares of the last pair of every athlete: athletes by two sessions, a row a series and age class.

    `pairs`: those that say something of error, as `lines` gives them. Columns: series_id, age_class,
    icc_athletes, between, columns, error (mean squares; see numerics/icc.py).
    """
    return (
        _last_of_window(pairs, week)
        .group_by("series_id", "age_class")
        .agg(
            icc_athletes=pl.len().cast(pl.Float64),
            between=2 * pl.col("middle").sort().var(),
            columns=pl.len() * _D.mean() ** 2 / 2,
            error=_D.var() / 2,
        )
    )


def levels_of_week(steady: pl.DataFrame, week: date) -> pl.DataFrame:
    """How athletes differ, a row a series and age class: differ (squares within sex), differ_degrees, level.

    One value an athlete: the last of the window. `level` is their mean on the analysis scale. `steady`: the
    sessions of people fully available, without the first of a series, as `lines` gives them.
    """
    y = pl.col("y").sort()
    of_sex = (
        _last_of_window(steady, week)
        .group_by("series_id", "pool", "age_class", "sex")
        .agg(squares=((y - y.mean()) ** 2).sum(), total=y.sum(), n=pl.len().cast(pl.Float64))
    )
    return of_sex.group_by("series_id", "pool", "age_class").agg(
        differ=pl.col("squares").sort().sum(),
        differ_degrees=(pl.col("n") - 1).sum(),
        level=pl.col("total").sort().sum() / pl.col("n").sum(),
    )

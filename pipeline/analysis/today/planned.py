"""Who of those planned for a day is not tested yet, and how many trials are done of those wanted."""

from __future__ import annotations

from collections.abc import Collection, Mapping

import polars as pl

from pipeline.metrics.rows import excluded
from schemas.families import FAMILIES

_NAMING = ("test", "quantity", "pull", "lift")


def naming_column(columns: Collection[str]) -> str | None:
    """Which of these columns of a trial table says what was tested; None: it is all one test."""
    return next((name for name in _NAMING if name in columns), None)


def trials_done(
    planned: pl.DataFrame, tables: Mapping[str, pl.DataFrame], measurements: pl.DataFrame
) -> pl.DataFrame:
    """athlete_id, test, wanted, done of each planned row, those with most to do first.

    `planned`: athlete_id, test (a family, a test, a metric; NULL: anything), trials. `tables`: the day's
    trial rows with their flags; `measurements`: the day's. A trial that does not count (failed, a warm-up,
    perhaps somebody else's) is not done.
    """
    words = [_words(tables[family.table], family.name) for family in FAMILIES.values()]
    measured = measurements.filter(pl.col("used") & pl.col("trial_id").is_not_null())
    words.append(measured.select("athlete_id", "trial_id", word="metric"))
    done = pl.concat(words).unique().group_by("athlete_id", "word").agg(done=pl.len())
    wanted = planned.select("athlete_id", "test", wanted="trials").with_columns(
        word=pl.col("test").fill_null("anything")
    )
    counted = wanted.join(done, on=["athlete_id", "word"], how="left").with_columns(
        pl.col("done").fill_null(0)
    )
    left = pl.col("done") >= pl.col("wanted")
    return counted.sort(left, pl.col("done") > 0, "test", "athlete_id", nulls_last=True).drop("word")


def _words(rows: pl.DataFrame, family: str) -> pl.DataFrame:
    """athlete_id, trial_id, word: all that a plan can call a trial that counts."""
    good = rows.filter(~excluded(pl.col("flags")))
    names = [pl.col(name).cast(pl.String) for name in _NAMING if name in rows.columns]
    called = pl.concat_list(pl.lit("anything"), pl.lit(family), *names)
    return good.select("athlete_id", "trial_id", word=called).explode("word").drop_nulls()

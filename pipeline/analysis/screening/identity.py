"""Trials that may be somebody else's: the athlete before was still selected, or the wrong name was picked.

A burst is the unbroken run of one name on a device. Within it an unbroken run of trials is suspect where it
is far from the athlete's own level and near the level of a candidate: whoever was tested just before or
after on that device, or was expected that day and has no trial there. Where attendance says that somebody
was away, all trials of that day are.
"""

from __future__ import annotations

import polars as pl

from pipeline.analysis.screening.levels import level_near

FAR = 4.0
"""Within-athlete SDs that the run is away from the athlete's own level (methods, failure 4)."""
EACH_FAR = 2.0
"""No trial of the run is nearer to the own level than so many SDs (judgement)."""
NEAR = 2.0
"""SDs that the run is away from the candidate's level at most (judgement) …"""
EACH_NEAR = 3.0
"""… and each of its trials."""
_QUEUE = ["device", "local_date"]


def identity_suspects(
    values: pl.DataFrame,
    medians: pl.DataFrame,
    trials: pl.DataFrame,
    shifts: pl.DataFrame,
    expected: pl.DataFrame,
    absent: pl.DataFrame,
) -> pl.DataFrame:
    """trial_id, athlete_id, device, local_date, like (the likeliest candidate; NULL: only absent), away
    [SDs].

    `values`: see `levels.beside_level`, of metrics that tell people apart; `medians`: of all their sessions.
    `trials`: trial_id, athlete_id, device, local_date,
    performed_at_utc, time_known of every trial, also of those without a value.
    `shifts`: see `shift`; a day on
    which everybody moved is taken out first. `expected` and `absent`: athlete_id, local_date.
    """
    queued = _bursts(trials.filter("time_known"))
    own = _from_own_level(values, shifts)
    runs = _suspect_runs(own, _from_others(own, medians, queued, expected), queued)
    away = trials.join(absent.select("athlete_id", "local_date").unique(), on=["athlete_id", "local_date"])
    gone = away.join(runs, on="trial_id", how="anti").with_columns(
        like=pl.lit(None, dtype=pl.String), away=pl.lit(None, dtype=pl.Float64)
    )
    columns = ["trial_id", "athlete_id", *_QUEUE, "like", "away"]
    found = runs.join(trials, on="trial_id").select(columns)
    return pl.concat([found, gone.select(columns)]).sort(columns)


def _bursts(trials: pl.DataFrame) -> pl.DataFrame:
    """Trials in the order of each device's day, with `place`, `burst` (a number) and who was `before` and
    `after` it that day."""
    queue = trials.sort(*_QUEUE, "performed_at_utc", "athlete_id", "trial_id").with_row_index("place")
    parts = [pl.col(name).ne_missing(pl.col(name).shift(1)) for name in (*_QUEUE, "athlete_id")]
    numbered = queue.with_columns(burst=pl.any_horizontal(parts).cum_sum())
    heads = numbered.unique("burst", keep="first", maintain_order=True).select(
        "burst",
        before=pl.col("athlete_id").shift(1).over(_QUEUE),
        after=pl.col("athlete_id").shift(-1).over(_QUEUE),
    )
    return numbered.join(heads, on="burst", maintain_order="left")


def _candidates(queued: pl.DataFrame, expected: pl.DataFrame) -> pl.DataFrame:
    """burst, candidate: whoever may have been tested in a burst instead of the one it is filed under."""
    bursts = queued.unique("burst", keep="first", maintain_order=True)
    neighbours = pl.concat(
        [bursts.select("burst", "athlete_id", candidate=side) for side in ("before", "after")]
    )
    there = queued.select(*_QUEUE, candidate="athlete_id").unique()
    missing = (
        bursts.select("burst", "athlete_id", *_QUEUE)
        .join(expected.select("local_date", candidate="athlete_id").unique(), on="local_date")
        .join(there, on=[*_QUEUE, "candidate"], how="anti")
    )
    both = pl.concat([neighbours, missing.select(neighbours.columns)]).drop_nulls()
    return both.filter(pl.col("candidate") != pl.col("athlete_id")).select("burst", "candidate").unique()


def _from_own_level(values: pl.DataFrame, shifts: pl.DataFrame) -> pl.DataFrame:
    """Values that have a level, with `own` (SDs away from it, the day's shift taken out) and `of_trial`, the
    median of `own` over what the trial gave."""
    moved = shifts.select("device", "local_date", "series_id", "shift")
    known = values.filter(pl.col("level").is_not_null()).join(
        moved, on=["device", "local_date", "series_id"], how="left"
    )
    shift = pl.col("shift").fill_null(0.0)
    return known.with_columns(own=pl.col("z") - shift, shift=shift).with_columns(
        of_trial=pl.col("own").median().over("trial_id")
    )


def _from_others(
    own: pl.DataFrame, medians: pl.DataFrame, queued: pl.DataFrame, expected: pl.DataFrame
) -> pl.DataFrame:
    """trial_id, candidate, `other`: SDs (of the athlete) away from the candidate's level, the median over
    what the trial gave. Only of trials far from the own level, so most cost nothing."""
    far = own.filter(pl.col("of_trial").abs() >= EACH_FAR).join(
        queued.select("trial_id", "burst"), on="trial_id"
    )
    pairs = far.join(_candidates(queued, expected), on="burst")
    asked = pairs.select("series_id", "local_date", athlete_id="candidate")
    theirs = level_near(medians, asked).rename({"athlete_id": "candidate", "level": "their_level"})
    known = pairs.join(theirs, on=["candidate", "series_id", "local_date"])
    other = (pl.col("x") - pl.col("their_level")) / pl.col("sd") - pl.col("shift")
    return known.group_by("trial_id", "candidate").agg(other=other.median())


def _suspect_runs(own: pl.DataFrame, others: pl.DataFrame, queued: pl.DataFrame) -> pl.DataFrame:
    """trial_id, like, away of the trials in suspect runs; the nearest candidate where there are several.

    Trials that nothing is known of part no run, and go with it where it is the whole burst.
    """
    of_trial = own.group_by("trial_id").agg(
        own=pl.col("of_trial").first(), noise=(pl.col("sd_trial") / pl.col("sd")).median()
    )
    bursts = queued.select("trial_id", "burst", "place").join(of_trial, on="trial_id")
    asked = (
        others.join(queued.select("trial_id", "burst"), on="trial_id").select("burst", "candidate").unique()
    )
    rows = bursts.join(asked, on="burst").join(others, on=["trial_id", "candidate"], how="left")
    told = rows.filter(pl.col("other").is_not_null() | (pl.col("own").abs() < EACH_FAR))
    judged = _judged(told)
    whole = judged.filter(pl.col("n") == pl.col("of_burst")).drop("trial_id")
    everything = queued.select("trial_id", "burst").join(whole, on="burst")
    parts = judged.filter(pl.col("n") < pl.col("of_burst")).explode("trial_id")
    found = pl.concat([parts.select(everything.columns), everything])
    # Of two candidates the one whom more of the burst is like; of those the nearer.
    nearest = found.sort("burst", -pl.col("n").cast(pl.Int64), pl.col("off").abs(), "candidate", "trial_id")
    return nearest.unique("trial_id", keep="first", maintain_order=True).select(
        "trial_id", "away", like="candidate"
    )


def _judged(rows: pl.DataFrame) -> pl.DataFrame:
    """The suspect runs: burst, candidate, trial_id (all of it), n, of_burst, away, off."""
    like = (
        (pl.col("own").abs() >= EACH_FAR)
        & (pl.col("other").abs() <= EACH_NEAR)
        & (pl.col("other").abs() < pl.col("own").abs())
    )
    group = ["burst", "candidate"]
    sides = rows.sort(*group, "place").with_columns(
        side=pl.when(like).then(pl.col("own").sign()), of_burst=pl.len().over(group)
    )
    begins = pl.col("side").ne_missing(pl.col("side").shift(1).over(group)) | (
        pl.int_range(pl.len()).over(group) == 0
    )
    runs = sides.with_columns(run=begins.cum_sum()).filter(pl.col("side").is_not_null())
    judged = runs.group_by(*group, "run").agg(
        pl.col("trial_id"),
        n=pl.len(),
        of_burst=pl.col("of_burst").first(),
        away=pl.col("own").median(),
        off=pl.col("other").median(),
        noise=pl.col("noise").median(),
    )
    error = (1 + pl.col("noise") ** 2 / pl.col("n")).sqrt()
    return judged.filter(
        (pl.col("away").abs() / error > FAR)
        & (pl.col("off").abs() / error <= NEAR)
        & ((pl.col("n") > 1) | (pl.col("n") == pl.col("of_burst")))
    )

"""Trials that were perhaps not done, or not filed, as the test asks for."""

from __future__ import annotations

import polars as pl

from pipeline.analysis.screening.levels import session_medians

SQUAT_ERRORS = 2.0
"""A squat jump so many trial errors above the countermovement jump is filed wrong (methods, failure 22)."""
MIRROR_FAR, MIRROR_NEAR = 4.0, 2.0
"""SDs from the own difference of the sides, and from the same difference turned round (judgement)."""
WARM_SHARE = 0.90
"""A first trial below this share of a later one is a warm-up (methods, failure 23) …"""
WARM_ERRORS = 3.0
"""… where it is also so many trial errors from the later ones: noise alone must not choose trials."""
LANDING_ERRORS = 3.0
"""SDs of a trial above the own level, not met again in the next two (methods, failure 28)."""
ARMS_LOW, ARMS_HIGH, ARMS_ERRORS = 1.10, 1.38, 3.0
"""+10 to +38 % at once is what an arm swing gives (methods, failure 29), and beyond three SDs."""
WARMED = ("jump_height", "push_up_rise", "sprint_time", "change_of_direction_time")
_HEIGHT = "jump_height"
_ORDERED = ~pl.col("flags").str.split(";").list.contains("order_unknown").fill_null(False)
_SESSION = ["athlete_id", "series_id", "session_id"]


def squat_above_counter(values: pl.DataFrame, series: pl.DataFrame) -> pl.DataFrame:
    """Column trial_id: the squat and countermovement jumps of sessions where the squat jumps are higher."""
    heights = values.filter(pl.col("metric") == _HEIGHT).join(
        series.select("series_id", "test", "leg", "hands", "added_load", "method", "method_version"),
        on="series_id",
    )
    alike = ["session_id", "leg", "hands", "added_load", "method", "method_version"]
    squat, counter = pl.col("test") == "squat_jump", pl.col("test") == "countermovement_jump"
    means = heights.group_by(alike).agg(
        squat=pl.col("x").filter(squat).sort().mean(),
        counter=pl.col("x").filter(counter).sort().mean(),
        error=pl.col("sd_trial").first(),
    )
    wrong = means.filter(pl.col("squat") - pl.col("counter") > SQUAT_ERRORS * pl.col("error"))
    return (
        heights.filter(squat | counter).join(wrong, on=alike, how="semi", nulls_equal=True).select("trial_id")
    )


def sides_swapped(values: pl.DataFrame, series: pl.DataFrame) -> pl.DataFrame:
    """Column trial_id: both sides of sessions whose difference is the athlete's own turned round."""
    pairs = series.filter(pl.col("pair_id").is_not_null()).select("series_id", "pair_id", "body_side")
    return _turned_round(values.join(pairs, on="series_id"), "left", "right")


def ends_swapped(values: pl.DataFrame, series: pl.DataFrame) -> pl.DataFrame:
    """Column trial_id: the neck's flexion and extension where one seems to be filed as the other."""
    set_up = ["posture", "lever_arm", "examiner", "method", "method_version"]
    pair = pl.concat_str([pl.col(name).fill_null("") for name in set_up], separator="|")
    ends = series.filter(
        (pl.col("metric") == "neck_force") & pl.col("direction").is_in(["flexion", "extension"])
    )
    named = ends.select("series_id", pair_id=pair, body_side="direction")
    return _turned_round(values.join(named, on="series_id"), "flexion", "extension")


def _turned_round(sided: pl.DataFrame, one: str, other: str) -> pl.DataFrame:
    """Column trial_id: both `body_side`s of sessions whose difference is the athlete's own turned round."""
    left, right = pl.col("body_side") == one, pl.col("body_side") == other
    keys = ["athlete_id", "metric", "pair_id", "session_id"]
    sessions = sided.group_by(keys).agg(
        pl.col("local_date", "better", "device").first(),
        left=pl.col("x").filter(left).median(),
        right=pl.col("x").filter(right).median(),
        # A difference of two is as wide as both together.
        sd_session=pl.col("sd_trial").first() * 2**0.5,
        sd_trial=pl.col("sd_trial").first(),
    )
    differences = sessions.with_columns(x=pl.col("right") - pl.col("left"), series_id="pair_id").drop_nulls(
        "x"
    )
    levels = session_medians(differences)
    turned = (pl.col("m") + pl.col("level")).abs() / pl.col("sd")
    swapped = levels.filter((pl.col("z").abs() > MIRROR_FAR) & (turned <= MIRROR_NEAR))
    found = swapped.select("athlete_id", "metric", "session_id", pair_id="series_id")
    return sided.join(found, on=keys, how="semi").select("trial_id")


def warm_ups(values: pl.DataFrame, all_count: list[str]) -> pl.DataFrame:
    """Column trial_id: first trials of a session far below the later ones, one after the other from the
    first.

    Not on devices of `all_count`, where the protocol says that every trial counts.
    """
    rows = values.filter(
        pl.col("metric").is_in(WARMED) & ~pl.col("device").is_in(all_count) & pl.col("trial").is_not_null()
    ).filter(_ORDERED)
    turn = pl.when(pl.col("better") == "lower").then(-1.0).otherwise(1.0)
    rows = rows.with_columns(good=pl.col("x") * turn).sort(*_SESSION, "performed_at_utc", "trial", "trial_id")
    later = pl.col("good").reverse()
    n_later = (pl.len() - 1 - pl.int_range(pl.len())).over(_SESSION)
    best_later = later.cum_max().reverse().shift(-1).over(_SESSION)
    judged = rows.with_columns(best=best_later, usual=_median_of_later(rows), later=n_later)
    error = pl.col("sd_trial") * (1 + 1 / pl.col("later")).sqrt()
    cold = (
        (pl.col("later") >= 2)
        & (pl.col("good") < pl.col("best") + pl.lit(WARM_SHARE).log())
        & (pl.col("usual") - pl.col("good") > WARM_ERRORS * error)
    )
    marked = judged.with_columns(cold=cold.fill_null(False).cast(pl.Int8))
    return marked.filter(pl.col("cold").cum_prod().over(_SESSION) == 1).select("trial_id").unique()


def _median_of_later(rows: pl.DataFrame) -> pl.Series:
    """Median of `good` of the later trials of the session, in the order of the rows."""
    numbered = rows.select(*_SESSION, "good").with_row_index("at")
    pairs = numbered.join(numbered.select(*_SESSION, later="at", value="good"), on=_SESSION).filter(
        pl.col("later") > pl.col("at")
    )
    medians = pairs.group_by("at").agg(pl.col("value").median())
    return numbered.join(medians, on="at", how="left", maintain_order="left")["value"]


def landing_suspects(values: pl.DataFrame, series: pl.DataFrame) -> pl.DataFrame:
    """Column trial_id: jumps far above the own level that neither of the next two comes near."""
    rows = values.filter((pl.col("metric") == _HEIGHT) & _ORDERED).join(
        series.filter(pl.col("test").is_in(["countermovement_jump", "squat_jump"])).select("series_id"),
        on="series_id",
        how="semi",
    )
    ordered = rows.sort(*_SESSION, "performed_at_utc", "trial", "trial_id")
    spread = (pl.col("sd") ** 2 + pl.col("sd_trial") ** 2).sqrt()
    next_two = pl.max_horizontal(pl.col("x").shift(-1).over(_SESSION), pl.col("x").shift(-2).over(_SESSION))
    near = pl.col("x") - 2 * pl.col("sd_trial")
    high = pl.col("x") - pl.col("level") > LANDING_ERRORS * spread
    alone = (next_two < near).fill_null(False)
    return ordered.filter(high & alone).select("trial_id")


def arms_used(values: pl.DataFrame, medians: pl.DataFrame, series: pl.DataFrame) -> pl.DataFrame:
    """Column trial_id: sessions of a hands-on-hips jump that are at once as much higher as arms make it."""
    hips = series.filter(pl.col("hands") == "hips").select("series_id")
    rise = (pl.col("m") - pl.col("level")).exp()
    risen = medians.filter(
        (pl.col("metric") == _HEIGHT) & rise.is_between(ARMS_LOW, ARMS_HIGH) & (pl.col("z") > ARMS_ERRORS)
    ).join(hips, on="series_id", how="semi")
    return values.join(risen, on=_SESSION, how="semi").select("trial_id")

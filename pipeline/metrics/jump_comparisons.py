"""Jumps of one occasion against each other: countermovement against squat, two legs against one and one, and
drop jumps by box height."""

from __future__ import annotations

import polars as pl

from pipeline.metrics.noise import trial_noise
from pipeline.metrics.rows import by_occasion, codes_of, excluded, inputs_within, join_codes, values_of
from pipeline.numerics.physics import flight_height, reactive_strength

TABLE = "jump_trials"
SHORT_CONTACT_S = 0.25
"""Longer contacts are a slower quality (Schmidtbleicher 1992, from memory): no part of reactive strength."""
FEWEST_BOXES = 3
"""A drop-height profile needs so many boxes; judgement."""
_TWO = ("countermovement_jump", "squat_jump")


def utilisation_ratios(rows: pl.DataFrame) -> pl.DataFrame:
    """Mean countermovement height over mean squat height [1] of each occasion, set-up and load.

    `rows`: `jump_trials` with flags and series keys. The standard error is that of the trials: the noise of
    one, pooled over everybody's occasions, over the root of their number, of both jumps. What shifts the
    whole day shifts both.
    """
    height = flight_height(pl.col("flight_time_s"))
    jumps = rows.filter(pl.col("test").is_in(_TWO) & ~excluded(pl.col("flags")))
    same = ("test", "leg", "hands", "added_load")
    jumps = jumps.with_columns(noise=trial_noise(jumps, "jump_height", height, same, "test"))
    counter, squat = ((pl.col("test") == test) for test in _TWO)
    pairs = by_occasion(
        jumps,
        ["leg", "hands", "added_load"],
        counter=height.filter(counter).sort().mean(),
        squat=height.filter(squat).sort().mean(),
        variance=(pl.col("noise") ** 2).filter(counter).first() / counter.sum()
        + (pl.col("noise") ** 2).filter(squat).first() / squat.sum(),
        flags=codes_of(pl.col("flags")),
        inputs=inputs_within(TABLE, pl.col("test")),
    )
    ratio = pl.col("counter") / pl.col("squat")
    return values_of(
        pairs,
        "eccentric_utilisation_ratio",
        ratio,
        pl.col("inputs"),
        error=ratio * pl.col("variance").sqrt(),
    )


def bilateral_indices(rows: pl.DataFrame) -> pl.DataFrame:
    """Mean height of both legs against that of left and right together, 100 B / (L + R) - 100 [%].

    `rows`: as for `utilisation_ratios`, and so is the standard error.
    """
    height = flight_height(pl.col("flight_time_s"))
    jumps = rows.filter(pl.col("test").is_in(_TWO) & pl.col("leg").is_not_null() & ~excluded(pl.col("flags")))
    jumps = jumps.with_columns(
        noise=trial_noise(jumps, "jump_height", height, ("test", "leg", "hands", "added_load"), "leg")
    )
    told = {}
    for leg in ("both", "left", "right"):
        of_leg = pl.col("leg") == leg
        told[leg] = height.filter(of_leg).sort().mean()
        told[f"{leg}_variance"] = (pl.col("noise") ** 2).filter(of_leg).first() / of_leg.sum()
    legs = by_occasion(
        jumps,
        ["test", "hands", "added_load"],
        **told,
        flags=codes_of(pl.col("flags")),
        inputs=inputs_within(TABLE, pl.col("leg")),
    )
    apart = pl.col("left") + pl.col("right")
    share = pl.col("both") / apart
    # Errors of the three means are independent; those of one leg count by its part of the sum.
    one = sum(pl.col(f"{leg}_variance") * (pl.col(leg) / apart) ** 2 for leg in ("left", "right"))
    error = 100 * share * (pl.col("both_variance") + one).sqrt()
    return values_of(legs, "bilateral_index", 100 * share - 100, pl.col("inputs"), error=error)


def drop_heights(drops: pl.DataFrame) -> pl.DataFrame:
    """The lowest box [cm] from which reactive strength is within one trial's noise of its highest.

    `drops`: drop jumps of `jump_trials` with flags and series keys. Boxes from which the mean contact is
    longer than `SHORT_CONTACT_S` are out of the choice; where all are, there is no value and a code says so.
    """
    index = reactive_strength(flight_height(pl.col("flight_time_s")), pl.col("contact_time_s"))
    jumps = drops.filter(
        ~excluded(pl.col("flags"))
        & pl.col("drop_height_m").is_not_null()
        & pl.col("contact_time_s").is_not_null()
    )
    same = ("leg", "hands", "drop_height")
    jumps = jumps.with_columns(
        index=index,
        noise=trial_noise(jumps, "reactive_strength_index", index, same, "test"),
        millimetres=(pl.col("drop_height_m") * 1000).round(),
    )
    boxes = by_occasion(
        jumps,
        ["leg", "hands", "millimetres"],
        index=pl.col("index").sort().mean(),
        noise=pl.col("noise").first(),
        short=pl.col("contact_time_s").sort().mean() <= SHORT_CONTACT_S,
        flags=codes_of(pl.col("flags")),
        inputs=inputs_within(TABLE, pl.format("{} box", "drop_height")),
    )
    highest = pl.col("index").filter("short").max()
    near = pl.col("short") & (pl.col("index") >= highest * (1 - pl.col("noise").fill_null(0.0)))
    profiles = by_occasion(
        boxes,
        ["leg", "hands"],
        boxes=pl.len(),
        value=pl.col("millimetres").filter(near).min() / 10,
        flags=codes_of(pl.col("flags")),
        inputs=pl.col("inputs").explode(),
    ).filter(pl.col("boxes") >= FEWEST_BOXES)
    long = pl.when(pl.col("value").is_null()).then(pl.lit("contact_long"))
    flags = join_codes(pl.col("flags"), long)
    return values_of(
        profiles, "drop_height_profile", pl.col("value"), pl.col("inputs"), flags, keep_empty=True
    )

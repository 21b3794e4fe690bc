"""What is worth doing again at once, and why; rows of athlete_id, device, about, why.

The rules for trials that count are common practice without a source; thresholds are stated with each.
"""

from __future__ import annotations

import polars as pl

from pipeline.analysis.screening.levels import FEWEST
from pipeline.analysis.screening.protocol import WARMED
from pipeline.metrics.rows import thousandths

SPREAD = 2.0
"""Spread of the day's trials against the usual: more than twice it."""
FLOOR = 0.75
"""The own spread of two or three trials is known so badly that it is never taken below this share of the
borrowed noise."""
USUAL_SHARE = 0.5
"""A gate or side counts as usual where at least so many of the day's runs have it."""
# Code on a row -> what is asked for.
ASKED = {
    "third_reading_due": "a third reading is due",
    "start_offset_unknown": "the distance behind the first gate is not known",
    "box_height_unknown": "the height of the box is not known",
    "side_unknown": "the side is not known",
}
_OWN = ["athlete_id", "series_id"]
_SHAPE = {"athlete_id": pl.String, "device": pl.String, "about": pl.String, "why": pl.String}


def still_rising(values: pl.DataFrame, day: pl.Expr) -> pl.DataFrame:
    """The last trial is the best, by more than the noise of a trial: the athlete may not be done yet.

    `values`: see `screening.levels.trial_values`, with `label`, what is told of the series; `day`: whether a
    row is today's.
    """
    today = _good(values.filter(day & pl.col("metric").is_in(WARMED)))
    ordered = today.sort(*_OWN, "performed_at_utc", "trial", "trial_id")
    series = ordered.group_by(_OWN, maintain_order=True).agg(
        pl.col("device", "label", "sd_trial").last(),
        n=pl.len(),
        last=pl.col("good").last(),
        before=pl.col("good").head(pl.len() - 1).max(),
    )
    rising = series.filter((pl.col("n") >= 2) & (pl.col("last") - pl.col("before") > pl.col("sd_trial")))
    return _told(rising, pl.lit("the last trial is the best, and still getting better"))


def spread_wide(values: pl.DataFrame, day: pl.Expr) -> pl.DataFrame:
    """The day's trials are more than twice as far apart as usual: the athlete's own, else the borrowed
    noise."""
    marked = _good(values).with_columns(is_today=day)
    sessions = marked.group_by(*_OWN, "session_id").agg(
        pl.col("device", "label", "sd_trial", "is_today").first(), n=pl.len(), sd=pl.col("good").std()
    )
    several = sessions.filter(pl.col("n") >= 2)
    usual = several.filter(~pl.col("is_today")).group_by(_OWN).agg(usual=pl.col("sd").median(), of=pl.len())
    known = several.filter("is_today").join(usual, on=_OWN, how="left")
    own = pl.when(pl.col("of") >= FEWEST).then(pl.max_horizontal("usual", FLOOR * pl.col("sd_trial")))
    against = own.fill_null(pl.col("sd_trial"))
    wide = known.filter(pl.col("sd") > SPREAD * against)
    return _told(wide, pl.lit("the trials are more than twice as far apart as usual"))


def side_missing(values: pl.DataFrame, series: pl.DataFrame, day: pl.Expr) -> pl.DataFrame:
    """One side was tested today and the other was not."""
    sided = values.filter(day).join(
        series.filter(pl.col("pair_id").is_not_null()).select("series_id", "pair_id", "body_side"),
        on="series_id",
    )
    pairs = sided.group_by("athlete_id", "pair_id").agg(
        pl.col("device").first(),
        label=pl.col("metric_label").first(),
        sides=pl.col("body_side").unique().sort(),
    )
    alone = pairs.filter(pl.col("sides").list.len() == 1)
    done = pl.col("sides").list.first()
    other = pl.when(done == "left").then(pl.lit("right")).otherwise(pl.lit("left"))
    return _told(alone, pl.format("the {} side is missing", other))


def split_missing(splits: pl.DataFrame) -> pl.DataFrame:
    """A run of today's lacks a gate that most of its kind have; rows of `sprint_splits`."""
    kind = ["device", "test", "start"]
    runs = pl.col("trial_id").n_unique()
    usual = splits.join(splits.group_by(kind).agg(runs=runs), on=kind, nulls_equal=True)
    gates = usual.group_by(*kind, "distance_m").agg(share=runs / pl.col("runs").first())
    wanted = gates.filter(pl.col("share") >= USUAL_SHARE).select(*kind, "distance_m")
    each = splits.select("athlete_id", "trial_id", "trial", *kind).unique()
    there = splits.select("trial_id", "distance_m")
    gaps = each.join(wanted, on=kind, nulls_equal=True).join(there, on=["trial_id", "distance_m"], how="anti")
    # A run that ends before a gate missed nothing.
    last = splits.group_by("trial_id").agg(last=pl.col("distance_m").max())
    missed = gaps.join(last, on="trial_id").filter(pl.col("distance_m") < pl.col("last"))
    gate = pl.format("run {}: the split at {} is missing", "trial", thousandths(pl.col("distance_m"), "m"))
    return _told(missed.with_columns(label="test"), gate)


def facts_missing(rows: pl.DataFrame) -> pl.DataFrame:
    """What a code on today's trial rows asks for. `rows`: athlete_id, device, about, code."""
    asked = rows.filter(pl.col("code").is_in(list(ASKED)))
    why = pl.col("code").replace_strict(ASKED, default=None, return_dtype=pl.String)
    return _told(asked.with_columns(label="about"), why)


def load_below_bar(reps: pl.DataFrame, equipment: pl.DataFrame) -> pl.DataFrame:
    """A load of today's that is less than the bar alone weighs: the plates were written, without the bar.

    `equipment`: kind, label, mass_kg. The bar of the implement's name counts, else the lightest one;
    dumbbells and the like, which no bar is called by, are left alone.
    """
    bars = equipment.filter(
        pl.col("kind").str.to_lowercase().is_in(["bar", "barbell"]) & (pl.col("mass_kg") > 0)
    )
    if bars.is_empty():
        return pl.DataFrame(schema=_SHAPE)
    named = bars.select(implement=pl.col("label").str.to_lowercase(), own=pl.col("mass_kg")).unique(
        "implement"
    )
    lightest = bars["mass_kg"].min()
    any_bar = pl.col("implement").is_null() | pl.col("implement").str.contains("bar")
    known = reps.with_columns(pl.col("implement").str.to_lowercase()).join(named, on="implement", how="left")
    bar = pl.coalesce("own", pl.when(any_bar).then(pl.lit(lightest)))
    below = known.with_columns(bar=bar).filter((pl.col("load_kg") >= 0) & (pl.col("load_kg") < pl.col("bar")))
    weighed = thousandths(pl.col("load_kg"), "kg"), thousandths(pl.col("bar"), "kg")
    why = pl.format("{} is less than the bar of {}", *weighed)
    return _told(below.with_columns(label="lift"), why)


def _good(values: pl.DataFrame) -> pl.DataFrame:
    """Values of metrics that have a direction, with `good`: x turned so that more is better. Of a run the
    time to its last gate: one run is one trial."""
    turn = pl.when(pl.col("better") == "lower").then(-1.0).otherwise(1.0)
    last_gate = pl.col("x") == pl.col("x").max().over("trial_id", "metric")
    told = (pl.col("better") != "context") & ((pl.col("metric") != "sprint_time") | last_gate)
    return values.filter(told).with_columns(good=pl.col("x") * turn)


def _told(found: pl.DataFrame, why: pl.Expr) -> pl.DataFrame:
    return found.select("athlete_id", "device", about="label", why=why).unique().sort(pl.all())

"""The week's norms as a coach reads them: plain words, shown decimals, in the units the facility shows."""

from __future__ import annotations

from datetime import timedelta
from pathlib import Path

import polars as pl

from pipeline.analysis.norm_tables import MINIMUM
from pipeline.analysis.norms import WINDOW_DAYS
from pipeline.publish.files import put
from pipeline.publish.flat import csv_writer
from pipeline.publish.suppression import to_withhold
from pipeline.publish.words import ages_in_words, group_in_words, in_shown_units, series_in_words
from pipeline.publish.workbook import DIRECTIONS, PERCENTILES, About, workbook_writer
from schemas.catalogue import Metric

_VALUES = ["mean", "sd", *(f"{p}{end}" for p in PERCENTILES for end in ("", "_low", "_high"))]
_REMAINDER = (
    f"Left out: together with the wider group it would show the values of fewer than {MINIMUM} athletes."
)
_CELL = ["week", "metric", "series_id", "population_id"]


def publish_norms(
    folder: Path,
    frames: dict[str, pl.DataFrame],
    units: str,
    facility_name: str,
    catalogue: dict[str, Metric],
) -> list[Path]:
    """Write `norms.csv` and `norms.xlsx` of the latest week; returns them."""
    folder.mkdir(parents=True, exist_ok=True)
    norms = coach_norms(frames, units, catalogue)
    about = _about(frames, facility_name, units)
    scale = pl.lit(10.0).pow(pl.col("decimals"))
    shown = norms.with_columns((pl.col(_VALUES) * scale).round() / scale)
    return [
        put(folder / "norms.csv", csv_writer(shown.drop("decimals"), byte_order_mark=True)),
        put(folder / "norms.xlsx", workbook_writer(shown, about, catalogue)),
    ]


def coach_norms(frames: dict[str, pl.DataFrame], units: str, catalogue: dict[str, Metric]) -> pl.DataFrame:
    """The latest week's norms in words: a row a group, test and series; numbers unrounded.

    Columns: week, norms_version, sex, ages, group, metric, test, better, how, unit, decimals,
    n_athletes, mean, sd, p05 … p95, each with its 90 % interval (`p05_low`, `p05_high`, …), note. Values that
    would show a small group by subtraction are left out, and the note says so.
    """
    norms = frames["norms"].filter(pl.col("week") == pl.col("week").max())
    shown_series = frames["series"].join(norms, on="series_id", how="semi")
    intervals = _intervals(frames["norm_percentiles"])
    rows = (
        norms.join(intervals, on=["week", "population_id", "series_id"], how="left")
        .join(_groups(frames["populations"]), on="population_id")
        .join(_tests(catalogue), on="metric")
        .join(series_in_words(shown_series), on="series_id")
    )
    rows = in_shown_units(_suppressed(rows, frames["populations"]), _VALUES, units)
    rows = rows.sort("sex", "age_band", "place", "how", "series_id", -pl.col("rung"), "group")
    return rows.select(
        "week",
        "norms_version",
        "sex",
        "ages",
        "group",
        "metric",
        "test",
        "better",
        "how",
        "unit",
        "decimals",
        "n_athletes",
        *_VALUES,
        note="withheld",
    )


def _intervals(percentiles: pl.DataFrame) -> pl.DataFrame:
    """The 90 % intervals of the percentiles, side by side."""
    ends = [
        pl.col(f"value_{end}").filter(pl.col("percentile") == int(p[1:])).first().alias(f"{p}_{end}")
        for p in PERCENTILES
        for end in ("low", "high")
    ]
    return percentiles.group_by("week", "population_id", "series_id").agg(ends)


def _groups(populations: pl.DataFrame) -> pl.DataFrame:
    narrower = group_in_words(("sport", "position", "competition_level"))
    group = pl.when(narrower == "").then(pl.lit("everyone")).otherwise(narrower)
    return populations.select(
        "population_id", "rung", "sex", "age_band", ages=ages_in_words(pl.col("age_band")), group=group
    )


def _tests(catalogue: dict[str, Metric]) -> pl.DataFrame:
    """What is said of a metric, and its place in the catalogue."""
    rows = [
        (place, name, metric.label, DIRECTIONS[metric.better], metric.decimals)
        for place, (name, metric) in enumerate(catalogue.items())
    ]
    return pl.DataFrame(rows, schema=["place", "metric", "test", "better", "decimals"], orient="row")


def _suppressed(rows: pl.DataFrame, populations: pl.DataFrame) -> pl.DataFrame:
    shown = rows.filter(pl.col("mean").is_not_null()).select(*_CELL, "n_athletes")
    withheld = to_withhold(shown, populations).with_columns(hidden=True)
    hidden = pl.col("hidden").fill_null(False)
    return rows.join(withheld, on=_CELL, how="left").with_columns(
        pl.when(hidden.not_()).then(pl.col(_VALUES)).name.keep(),
        withheld=pl.when(hidden).then(pl.lit(_REMAINDER)).otherwise("withheld"),
    )


def _about(frames: dict[str, pl.DataFrame], facility_name: str, units: str) -> About:
    """The week, its version, and how many athletes had a result in its window."""
    norms = frames["norms"]
    if norms.is_empty():
        return About(facility_name, units, None, None, 0)
    week, version = norms.sort("week").select("week", "norms_version").row(-1)
    last = week + timedelta(days=6)
    within = pl.col("local_date").is_between(last - timedelta(days=WINDOW_DAYS - 1), last)
    athletes = frames["results"].filter(within)["athlete_id"].n_unique()
    return About(facility_name, units, week, version, athletes)

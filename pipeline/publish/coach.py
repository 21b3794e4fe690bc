"""The week's norms as a coach reads them: plain words, shown decimals, in the units the facility shows."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import timedelta
from pathlib import Path

import polars as pl
from scipy.special import stdtrit

from pipeline.analysis.norm_tables import MINIMUM
from pipeline.analysis.one_value import in_window
from pipeline.publish.coarsen import STEP_FACTOR, coarsened
from pipeline.publish.files import put
from pipeline.publish.flat import inert
from pipeline.publish.too_few import too_few
from pipeline.publish.words import ages_in_words, group_in_words, in_shown_units, series_in_words, to_sort_by
from pipeline.publish.workbook import DIRECTIONS, EVERYONE, PERCENTILES, About, workbook_writer
from schemas.catalogue import Metric

_OF_PERCENTILES = [f"{p}{end}" for p in PERCENTILES for end in ("", "_low", "_high")]
# What is told of a group; the interval of the mean is worked out from what is told, never from finer numbers.
_TOLD = ["mean", "sd", *_OF_PERCENTILES]
_VALUES = ["mean", "mean_low", "mean_high", "sd", *_OF_PERCENTILES]
# A sheet: what is read side by side.
_SHEET = ("sex", "age_band")
_LEFT_OUT = "left out: with the wider group, or with an earlier table, it would show a few athletes' values"
# What a group of so many athletes or more is still too small for.
_STEPS = {MINIMUM: "quartiles need 20", 20: "P10, P90 need 40", 40: "P5, P95 need 100", 100: None}
# Families that say what a body is and not what it does: coaches look at them last.
_LAST = ("skinfold_calipers", "body_measures")


@dataclass(frozen=True)
class Caution:
    """How many athletes a group and what is left of one must have, and how coarsely numbers are told."""

    minimum: int = MINIMUM
    factor: float = STEP_FACTOR


def publish_norms(
    folder: Path,
    frames: dict[str, pl.DataFrame],
    births: pl.DataFrame,
    units: str,
    facility_name: str,
    catalogue: dict[str, Metric],
    labels: dict[str, str],
    stem: str = "norms",
) -> list[Path]:
    """Write `norms.csv` and `norms.xlsx` of a week, or others of the name `stem`; returns them.

    `frames` are as for `coach_norms`, and `results` and `athletes`. `births` has athlete_id and birth_date;
    `labels` says what a method is called.
    """
    folder.mkdir(parents=True, exist_ok=True)
    norms = coach_norms(frames, units, catalogue, labels)
    about = _about(frames, births, facility_name, units, for_coaches(catalogue))
    shown = _rounded(norms)
    return [
        put(folder / f"{stem}.xlsx", workbook_writer(shown, about, for_coaches(catalogue))),
        put_csv(folder / f"{stem}.csv", shown),
    ]


def put_csv(file: Path, norms: pl.DataFrame) -> Path:
    """Write rows of `coach_norms` as CSV, each value with the decimals of its metric."""
    text = _fixed_decimals(inert(_rounded(norms))).drop("decimals")
    return put(file, lambda path: text.write_csv(path, include_bom=True))


def _rounded(norms: pl.DataFrame) -> pl.DataFrame:
    scale = pl.lit(10.0).pow(pl.col("decimals"))
    return norms.with_columns((pl.col(_VALUES) * scale).round() / scale)


def for_coaches(catalogue: dict[str, Metric]) -> dict[str, Metric]:
    """The metrics that coaches are shown, in their order: by family as in the catalogue, the body last."""
    families = list(dict.fromkeys(metric.family for metric in catalogue.values()))
    ordered = [*(f for f in families if f not in _LAST), *_LAST]
    shown = [metric for metric in catalogue.values() if metric.coach]
    return {m.metric: m for m in sorted(shown, key=lambda metric: ordered.index(metric.family))}


def coach_norms(
    frames: dict[str, pl.DataFrame],
    units: str,
    catalogue: dict[str, Metric],
    labels: dict[str, str],
    caution: Caution = Caution(),
) -> pl.DataFrame:
    """A week's norms in words, as they are told: a row a group, test and series; numbers as `coarsened`.

    `frames`: `populations`, `norms` and `norm_percentiles` as `Telling.tables` gives them, and `series`.
    Columns: week, norms_version, numbers_of (the week that the numbers are of), sex, ages, group, metric,
    test, better, how, unit, decimals, n_athletes, mean with its 90 % interval (`mean_low`, `mean_high`), sd,
    p05 … p95, each with its 90 % interval (`p05_low`, `p05_high`, …), note. Populations of the facility's
    own, groups of fewer than 8 athletes and metrics that are not for
    coaches have no row. Values that may not be told are left out, and the note says so.
    """
    norms = frames["norms"].filter(pl.col("n_athletes") >= caution.minimum)
    rows = (
        norms.join(
            _intervals(frames["norm_percentiles"]), on=["week", "series_id", "population_id"], how="left"
        )
        .join(groups_in_words(frames["populations"]), on="population_id")
        .join(tests_in_words(for_coaches(catalogue)), on="metric")
    )
    beside = rows.select(*_SHEET, "series_id").unique().join(frames["series"], on="series_id")
    rows = rows.join(series_in_words(beside, _SHEET, labels), on=[*_SHEET, "series_id"])
    shown = in_shown_units(_suppressed(rows), _TOLD, units)
    rows = coarsened(shown, _TOLD, caution.factor).with_columns(**_interval_of_mean())
    of_test = ("place", to_sort_by(pl.col("how")), "series_id")
    rows = rows.sort("sex", "youngest", *of_test, -pl.col("rung"), "group")
    what = ("sex", "ages", "group", "metric", "test", "better", "how", "unit")
    # A ratio has the unit 1, which is no word.
    return rows.select(
        "week", "norms_version", "numbers_of", *what, "decimals", "n_athletes", *_VALUES, "note"
    ).with_columns(unit=pl.col("unit").replace("1", ""))


def _intervals(percentiles: pl.DataFrame) -> pl.DataFrame:
    """The 90 % intervals of the percentiles, side by side."""
    ends = [
        pl.col(f"value_{end}").filter(pl.col("percentile") == int(p[1:])).first().alias(f"{p}_{end}")
        for p in PERCENTILES
        for end in ("low", "high")
    ]
    return percentiles.group_by("week", "population_id", "series_id").agg(ends)


def _interval_of_mean() -> dict[str, pl.Expr]:
    """The 90 % interval of the mean of n athletes: mean ± t SD / √n, t of n - 1 degrees of freedom.

    Student 1908, Biometrika 6:1-25; any statistics handbook. NULL where the mean or the SD is.
    """
    freedom = pl.col("n_athletes").cast(pl.Float64) - 1
    t = freedom.map_batches(lambda n: pl.Series(stdtrit(n.to_numpy(), 0.95)), return_dtype=pl.Float64)
    half = t * pl.col("sd") / (freedom + 1).sqrt()
    return {"mean_low": pl.col("mean") - half, "mean_high": pl.col("mean") + half}


def groups_in_words(populations: pl.DataFrame) -> pl.DataFrame:
    """population_id, rung, sex, age_band, ages in words, youngest (to sort by) and group in words."""
    narrower = group_in_words(("sport", "position", "competition_level"))
    group = pl.when(narrower == "").then(pl.lit(EVERYONE)).otherwise(narrower)
    band = pl.col("age_band")
    from_age = band.str.extract(r"^(\d+)").cast(pl.Int64)
    youngest = pl.when(band.str.starts_with("<")).then(0).otherwise(from_age)
    named = {"ages": ages_in_words(band), "youngest": youngest, "group": group}
    return populations.select("population_id", "rung", *_SHEET, **named)


def tests_in_words(metrics: dict[str, Metric]) -> pl.DataFrame:
    """What is said of a metric, and its place in their order."""
    rows = [
        (place, name, metric.label, DIRECTIONS[metric.better], metric.decimals)
        for place, (name, metric) in enumerate(metrics.items())
    ]
    return pl.DataFrame(rows, schema=["place", "metric", "test", "better", "decimals"], orient="row")


def _suppressed(rows: pl.DataFrame) -> pl.DataFrame:
    """The rows with `note`, and without the values that may not be told."""
    hidden = pl.col("is_told").fill_null(False).not_()
    note = pl.lit(None, pl.String)
    for enough, needs in _STEPS.items():
        note = pl.when(pl.col("n_athletes") >= enough).then(pl.lit(needs, pl.String)).otherwise(note)
    return rows.with_columns(
        pl.when(hidden.not_()).then(pl.col(_TOLD)).name.keep(),
        note=pl.when(hidden).then(pl.lit(_LEFT_OUT)).otherwise(note),
    )


def _fixed_decimals(rows: pl.DataFrame) -> pl.DataFrame:
    """The values as text with the decimals of their row, so that 34.0 is not written as 34."""
    return rows.with_columns(_fixed(name, rows["decimals"].unique()) for name in _VALUES)


def _fixed(column: str, decimals: pl.Series) -> pl.Expr:
    text = pl.lit(None, pl.String)
    for places in decimals:
        written = pl.col(column).cast(pl.Decimal(38, places)).cast(pl.String)
        text = pl.when(pl.col("decimals") == places).then(written).otherwise(text)
    return text.alias(column)


def _about(
    frames: dict[str, pl.DataFrame],
    births: pl.DataFrame,
    facility_name: str,
    units: str,
    metrics: dict[str, Metric],
) -> About:
    """The week, its version, how many athletes had a result in its window, and which tests had too few."""
    norms = frames["norms"]
    if norms.is_empty():
        return About(facility_name, units, None, None, 0, {})
    week, version = norms.select("week", "norms_version").row(0)
    last = week + timedelta(days=6)
    results = frames["results"].filter(in_window(week))
    in_norms = set(norms["metric"])
    others = {name: metric.label for name, metric in metrics.items() if name not in in_norms}
    people = frames["athletes"].select("athlete_id", "sex").join(births, on="athlete_id")
    few = too_few(results, people, list(others), last)
    return About(
        facility_name, units, week, version, results["athlete_id"].n_unique(), {others[m]: n for m, n in few}
    )

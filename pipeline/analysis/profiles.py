"""Profiles: every fit of the family modules as rows of `profiles` and `profile_values`."""

from __future__ import annotations

from collections.abc import Mapping

import polars as pl

from pipeline.ids import text_ids
from pipeline.metrics.measurements import family_modules, flag_trials, known_on_the_day, samples_of
from pipeline.metrics.rows import as_table
from pipeline.metrics.series import with_series
from schemas.catalogue import Metric
from schemas.frames import empty
from schemas.tables import TABLES


def fit_profiles(
    trials: Mapping[str, pl.DataFrame],
    sessions: pl.DataFrame,
    catalogue: Mapping[str, Metric],
    devices: Mapping[str, str],
    people: pl.DataFrame | None = None,
) -> dict[str, pl.DataFrame]:
    """The tables `profiles` and `profile_values`, each sorted by its key.

    Arguments as of `measure_all`. A family module that fits something has `profiles(trials, masses)` (with
    traces: its samples too), which gives a frame as `metrics.fits.fits_of` makes it. An accepted fit is of
    the series of its metric; a refused one is of none, and says why.
    """
    masses = known_on_the_day(trials, sessions, people, catalogue)
    flagged = flag_trials(trials)
    fits = [
        _placed(one, catalogue[one["metric"][0]], devices)
        for module in family_modules()
        if module.TABLE in flagged and hasattr(module, "profiles")
        for one in module.profiles(flagged[module.TABLE], masses, *samples_of(module, trials)).partition_by(
            "metric"
        )
    ]
    if not fits:
        return {name: empty(TABLES[name]) for name in ("profiles", "profile_values")}
    placed = pl.concat(fits, how="diagonal")
    values = placed.select("profile_id", "values").explode("values").unnest("values")
    return {
        "profiles": as_table(placed, "profiles"),
        "profile_values": as_table(values.filter(pl.col("value").is_not_null()), "profile_values"),
    }


def _placed(fits: pl.DataFrame, metric: Metric, devices: Mapping[str, str]) -> pl.DataFrame:
    """Fits of one metric with their ids, and the series of those that are accepted."""
    placed, _ = with_series(fits.with_columns(method=pl.col("device").replace(devices)), metric)
    name = pl.concat_str("kind", "metric", "row_id", separator="|")
    accepted = pl.col("why_not").is_null()
    return placed.with_columns(
        profile_id=text_ids(placed.select(name).to_series()),
        accepted=accepted,
        series_id=pl.when(accepted).then(pl.col("series_id")),
    )

"""Series, groups and values in the words and units that people are shown."""

from __future__ import annotations

import polars as pl

from pipeline.metrics.series import UNKNOWN
from pipeline.reading.units import UNITS
from schemas.catalogue import SERIES_KEYS

# Keys that are told only where a metric's series differ in them.
_QUIET = ("method", "method_version")
_PHRASES = {
    "course": "course {}",
    "from_distance": "from {}",
    "distance": "to {}",
    "test": "{}",
    "turn_angle": "turn of {}",
    "approach": "{} approach",
    "side": "{} side",
    "leg": "{} leg",
    "hands": "hands {}",
    "drop_height": "from a box of {}",
    "added_load": "{} added",
    "start": "{} start",
    "start_offset": "{} behind the first gate",
    "timing": "{} timing",
    "surface": "on {}",
    "shoes": "in {}",
    "method": "by {}",
    "method_version": "version {}",
}
_OWN_WORDS = {
    ("leg", "both"): "both legs",
    ("hands", "hips"): "hands on hips",
    ("hands", "floor"): "hands on the floor",
    ("added_load", "0 kg"): "no added load",
}
# A word that says that the key does not apply.
_OMITTED = {"drop_height": "none"}
# What a customary reader is shown in place of the metric unit.
_US = {"kg": "lb", "cm": "in"}


def series_in_words(series: pl.DataFrame) -> pl.DataFrame:
    """series_id and `how`: what a series is of, in words, from the rows of `series` that are to be shown.

    What is not known, and the method, is told only where the metric has series that differ in it.
    """
    parts = [_phrase(key) for key in SERIES_KEYS]
    return series.select("series_id", how=pl.concat_str(parts, separator=", ", ignore_nulls=True))


def group_in_words(columns: tuple[str, ...]) -> pl.Expr:
    """The columns that say something, joined by commas."""
    filled = [pl.when(pl.col(column) != "").then(pl.col(column)) for column in columns]
    return pl.concat_str(filled, separator=", ", ignore_nulls=True)


def ages_in_words(age_band: pl.Expr) -> pl.Expr:
    """An age band in words that no spreadsheet takes for a date: "12-13" is "12 to 13"."""
    low = age_band.str.replace("<=", "up to ", literal=True)
    return low.str.replace("+", " and over", literal=True).str.replace("-", " to ", literal=True)


def in_shown_units(frame: pl.DataFrame, values: list[str], units: str) -> pl.DataFrame:
    """The values and `unit` in what the facility wants to be shown, "metric" or "us".

    Kilograms become pounds and centimetres inches, exactly; all else stays. Raises ValueError for
    any other word.
    """
    if units not in ("metric", "us"):
        raise ValueError(f'units are "metric" or "us", not {units!r}')
    if units == "metric":
        return frame
    factors = {unit: _factor(unit) / _factor(shown) for unit, shown in _US.items()}
    factor = pl.col("unit").replace_strict(factors, default=1.0, return_dtype=pl.Float64)
    return frame.with_columns(pl.col(values) * factor, unit=pl.col("unit").replace(_US))


def _factor(unit: str) -> float:
    return UNITS[unit].numerator / UNITS[unit].denominator


def _phrase(key: str) -> pl.Expr:
    value = pl.col(key)
    phrase = pl.format(_PHRASES[key], value.str.replace_all("_", " "))
    for (of_key, word), own in _OWN_WORDS.items():
        if of_key == key:
            phrase = pl.when(value == word).then(pl.lit(own)).otherwise(phrase)
    name = key.replace("_", " ")
    phrase = pl.when(value == UNKNOWN).then(pl.lit(f"{name} not known")).otherwise(phrase)
    quiet = pl.lit(True) if key in _QUIET else value == UNKNOWN
    differs = value.n_unique().over("metric") > 1
    applies = value.ne_missing(pl.lit(_OMITTED.get(key, ""))) & value.is_not_null()
    return pl.when(applies & (quiet.not_() | differs)).then(phrase)

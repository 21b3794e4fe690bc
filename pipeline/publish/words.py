"""Series, groups and values in the words and units that people are shown."""

from __future__ import annotations

from collections.abc import Mapping

import polars as pl

from pipeline.metrics.series import UNKNOWN
from pipeline.reading.units import UNITS
from schemas.catalogue import SERIES_KEYS

# Keys that are told only where series differ in nothing else; the version after the method.
_QUIET = ("method", "method_version")
# How a key is said; one that is not here is said by its name.
_PHRASES = {
    "course": "course {}",
    "from_distance": "from {}",
    "distance": "to {}",
    "test": "{}",
    "lift": "{}",
    "variant": "{}",
    "implement": "with {}",
    "implement_count": "{} at once",
    "load": "at {}",
    "accommodating": "with {}",
    "site_set": "{}",
    "site": "{}",
    "direction": "{}",
    "posture": "{}",
    "lever_arm": "lever arm {}",
    "turn_angle": "turn of {}",
    "approach": "{} approach",
    "side": "{} side",
    "leg": "{} leg",
    "hands": "hands {}",
    "drop_height": "from a box of {}",
    "added_load": "{} added",
    "pull": "{}",
    "resistance": "against {}",
    "resistance_setting": "set to {}",
    "sled_mass": "sled of {}",
    "start": "{} start",
    "start_offset": "{} behind the first gate",
    "timing": "{} timing",
    "surface": "on {}",
    "shoes": "in {}",
    "measurer": "measured by {}",
    "examiner": "tested by {}",
    "method": "by {}",
    "method_version": "version {}",
}
_OWN_WORDS = {
    ("direction", "left"): "to the left",
    ("direction", "right"): "to the right",
    ("direction", "rotation_left"): "rotation to the left",
    ("direction", "rotation_right"): "rotation to the right",
    ("leg", "both"): "both legs",
    ("hands", "hips"): "hands on hips",
    ("hands", "floor"): "hands on the floor",
    ("added_load", "0 kg"): "no added load",
    ("start_offset", "0 m"): "from the first gate",
    ("surface", "hall"): "in the hall",
    ("surface", "track"): "on the track",
}
# Words that say that a key does not apply, or what goes without saying.
_OMITTED = {"drop_height": "none", "implement_count": "1", "accommodating": "none", "side": "both"}
# What a customary reader is shown in place of the metric unit.
_US = {"kg": "lb", "cm": "in"}


def series_in_words(series: pl.DataFrame, beside: tuple[str, ...], labels: dict[str, str]) -> pl.DataFrame:
    """`beside`, series_id and `how`: what a series is of, in words, from the rows of `series` that are shown.

    `beside`: columns that are equal for the series that are read side by side, such as those of a sheet.
    What is not known, and the method, is told only where another series beside it is equal but for that.
    `labels`: what a method is called; one that is not there is called by its id. The metric's own name is
    not said again.
    """
    parts = [_phrase(key, beside, labels) for key in SERIES_KEYS]
    how = pl.concat_str(parts, separator=", ", ignore_nulls=True)
    span = how.str.replace("(from [^,]+), to ", "${1} to ")
    return series.select(*beside, "series_id", how=span)


def said_alike(hows: list[str]) -> tuple[str, list[str]]:
    """What several series have in common, and what is left of each; of a single one nothing is taken."""
    if len(hows) == 1:
        return "", hows
    parts = [how.split(", ") for how in hows]
    common = [part for part in parts[0] if all(part in other for other in parts[1:])]
    left = [", ".join(part for part in other if part not in common) for other in parts]
    return ", ".join(common), [how or "otherwise not told" for how in left]


def group_in_words(columns: tuple[str, ...]) -> pl.Expr:
    """The columns that say something, joined by commas."""
    filled = [pl.when(pl.col(column) != "").then(pl.col(column)) for column in columns]
    return pl.concat_str(filled, separator=", ", ignore_nulls=True)


def called(frame: pl.DataFrame, words: Mapping[str, Mapping[str, str]]) -> pl.DataFrame:
    """The frame in the facility's words: column -> word -> what to show for it. Several stand between `|`."""
    columns = [column for column, said in words.items() if said and column in frame.columns]
    return frame.with_columns(
        pl.col(column)
        .str.split("|")
        .list.eval(pl.element().str.strip_chars().replace(words[column]))
        .list.join("|")
        for column in columns
    )


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


def to_sort_by(how: pl.Expr) -> pl.Expr:
    """Words to sort by, in which 5 m comes before 10 m."""
    padded = how.str.replace_all(r"(\d+)(\.\d+)?", "00000${1}${2}")
    return padded.str.replace_all(r"\d*(\d{6})(\.\d+)?", "${1}${2}")


def _phrase(key: str, beside: tuple[str, ...], labels: dict[str, str]) -> pl.Expr:
    value = pl.col(key)
    name = key.replace("_", " ")
    said = value.replace(labels) if key == "method" else value
    phrase = pl.format(_PHRASES.get(key, f"{name} {{}}"), said.str.replace_all("_", " "))
    for (of_key, word), own in _OWN_WORDS.items():
        if of_key == key:
            phrase = pl.when(value == word).then(pl.lit(own)).otherwise(phrase)
    phrase = pl.when(value == UNKNOWN).then(pl.lit(f"{name} not known")).otherwise(phrase)
    quiet = pl.lit(True) if key in _QUIET else value == UNKNOWN
    applies = value.is_not_null() & value.ne_missing(pl.lit(_OMITTED.get(key))) & (value != pl.col("metric"))
    return pl.when(applies & (quiet.not_() | _alone_differs(key, beside))).then(phrase)


def _alone_differs(key: str, beside: tuple[str, ...]) -> pl.Expr:
    """Whether a series beside this one, of the same metric, differs in the key and in nothing else.

    Not even the method counts as a difference, but for its own version.
    """
    heard = [other for other in SERIES_KEYS if other != key and other not in _QUIET]
    if key == "method_version":
        heard.append("method")
    return pl.col(key).n_unique().over("metric", *beside, *heard) > 1

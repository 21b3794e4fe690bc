"""The edition for others: groups of 10 and more, and the results of those who agreed, under pseudonyms.

Whoever gave consent for the purpose "external" is in it (under 18, or of unknown age: their guardian); nobody
else, not even in a group. Body composition is not. A pseudonym is a keyed hash: who has the key, which stays
with the facility, can make it again, nobody else.
"""

from __future__ import annotations

import hashlib
import hmac
import secrets
from collections.abc import Mapping
from datetime import date
from pathlib import Path

import polars as pl

from pipeline.analysis.populations import age_band, completed_years
from pipeline.publish.coach import Caution, coach_norms, put_csv
from pipeline.publish.files import put
from pipeline.publish.flat import csv_writer
from pipeline.rights import private
from schemas.catalogue import Metric

PURPOSE = "external"
MINIMUM = 10  # athletes (methods, C7)
CAUTION = Caution(MINIMUM, 8.0)
_ADULT = 18
_NAMES = ("norms.csv", "results.csv")


def consenting(consents: pl.DataFrame, people: pl.DataFrame, on: date) -> pl.Series:
    """The athlete_ids whose consent to the external edition stands on a day. `people`: with birth_date."""
    stands = (pl.col("given_on") <= on) & (pl.col("withdrawn_on").is_null() | (pl.col("withdrawn_on") > on))
    held = consents.filter(pl.col("purpose") == PURPOSE, stands).join(people, on="athlete_id")
    adult = (completed_years(pl.col("birth_date"), on) >= _ADULT).fill_null(False)
    return held.filter(adult | (pl.col("by") == "guardian"))["athlete_id"].unique().sort()


def external_key(file: Path) -> bytes:
    """The facility's key of pseudonyms; made, for its owner's eyes alone, where there is none yet."""
    if not file.is_file():
        file.parent.mkdir(parents=True, exist_ok=True)
        with open(file, "w", encoding="utf-8", newline="\n", opener=private) as stream:
            stream.write(secrets.token_hex(32) + "\n")
    return bytes.fromhex(file.read_text(encoding="utf-8").strip())


def pseudonym(key: bytes, athlete_id: str) -> str:
    """The first 16 hex digits of HMAC-SHA-256 (RFC 2104) of the athlete_id."""
    return hmac.new(key, athlete_id.encode(), hashlib.sha256).hexdigest()[:16]


def external_results(
    results: pl.DataFrame,
    people: pl.DataFrame,
    sports: pl.DataFrame,
    series: pl.DataFrame,
    key: bytes,
    sunday: date,
) -> pl.DataFrame:
    """Results under pseudonyms: pseudonym, sex, age_band, sport, metric, series, month, value, unit.

    `results`, `people` and `sports` (athlete_id, sport) are of those who agreed. Who shares sex, age band and
    sport with fewer than 10 of them is told without sport; sex and age band with fewer than 10, not at all.
    The series is told without its method, which names devices.
    """
    aged = people.select("athlete_id", "sex", age_band=age_band(pl.col("birth_date"), sunday)).drop_nulls()
    told = aged.join(results, on="athlete_id", how="semi").join(sports, on="athlete_id", how="left")
    few = pl.len().over("sex", "age_band", "sport") < MINIMUM
    told = told.with_columns(sport=pl.when(~few).then("sport"))
    told = told.filter(pl.len().over("sex", "age_band") >= MINIMUM)
    # Fewer than 10 without a sport beside those with one would be a small group of their own.
    alone = (pl.col("sport").is_null().sum().over("sex", "age_band")).is_between(1, MINIMUM - 1)
    told = told.with_columns(sport=pl.when(~alone).then("sport"))
    names = pl.Series([pseudonym(key, who) for who in told["athlete_id"]], dtype=pl.String)
    label = (
        pl.col("label")
        .str.split("; ")
        .list.eval(
            pl.element().filter(~pl.element().str.contains("^(method|method_version|measurer|examiner)="))
        )
    )
    labelled = series.select("series_id", series=label.list.join("; "))
    rows = told.with_columns(pseudonym=names).join(results, on="athlete_id").join(labelled, on="series_id")
    columns = ("pseudonym", "sex", "age_band", "sport", "metric", "series")
    month = pl.col("local_date").dt.strftime("%Y-%m").alias("month")
    return rows.select(*columns, month, "value", "unit").sort(pl.all())


def publish_external(
    folder: Path,
    norms: Mapping[str, pl.DataFrame],
    results: pl.DataFrame,
    units: str,
    catalogue: dict[str, Metric],
) -> list[Path]:
    """Write `norms.csv`, from frames of those who agreed, and `results.csv`; returns them."""
    folder.mkdir(parents=True, exist_ok=True)
    told = coach_norms(dict(norms), units, catalogue, {}, CAUTION)
    return [put_csv(folder / _NAMES[0], told), put(folder / _NAMES[1], csv_writer(results))]


def remove_external(folder: Path) -> None:
    """Take the external edition away: nobody's consent stands."""
    for name in _NAMES:
        (folder / name).unlink(missing_ok=True)

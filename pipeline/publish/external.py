"""The edition for others: groups of 10 and more, and the results of those who agreed, under pseudonyms.

Whoever gave consent for the purpose "external" is in it (under 18, or of unknown age: their guardian); nobody
else, not even in a group. Body composition is not. A pseudonym is a keyed hash: who has the key, which stays
with the facility, can make it again, nobody else.
"""

from __future__ import annotations

import hashlib
import hmac
import secrets
from collections.abc import Mapping, Sequence
from datetime import date, timedelta
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
_TOLD = ("pseudonym", "sex", "age_band", "sport", "metric", "series", "month", "unit")


def consenting(consents: pl.DataFrame, people: pl.DataFrame, on: date) -> pl.Series:
    """The athlete_ids whose consent to the external edition stands on a day. `people`: with birth_date."""
    stands = (pl.col("given_on") <= on) & (pl.col("withdrawn_on").is_null() | (pl.col("withdrawn_on") > on))
    held = consents.filter(pl.col("purpose") == PURPOSE, stands).join(people, on="athlete_id")
    adult = (completed_years(pl.col("birth_date"), on) >= _ADULT).fill_null(False)
    return held.filter(adult | (pl.col("by") == "guardian"))["athlete_id"].unique().sort()


def consenting_by_week(
    consents: pl.DataFrame, people: pl.DataFrame, weeks: Sequence[date], valid_on: date
) -> pl.DataFrame:
    """athlete_id and week of all whose consent stood on the week's Sunday; in the last week, on `valid_on`
    where that is later. Whose consent comes or goes thus comes or goes in one week, as somebody who is new
    or is tested no more does."""
    sundays = [week + timedelta(days=6) for week in weeks]
    days = [*sundays[:-1], *(max(sunday, valid_on) for sunday in sundays[-1:])]
    found = [
        pl.DataFrame({"athlete_id": consenting(consents, people, day)}).with_columns(week=pl.lit(week))
        for week, day in zip(weeks, days, strict=True)
    ]
    return pl.concat([pl.DataFrame(schema={"athlete_id": pl.String, "week": pl.Date}), *found])


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
    last: date,
) -> pl.DataFrame:
    """Results under pseudonyms: pseudonym, sex, age_band, sport, metric, series, month, value, unit.

    `results`, `people` and `sports` (athlete_id, week, sport) are of those who agreed. Told are months that
    are over by the day `last`, all at once, so that what is new in a week does not say who was tested in it;
    and only what 10 athletes of a sex, age band and sport have of a series in a month: where they are fewer,
    without the sport, and where all of a sex and age band are fewer, not at all. Age and sport are those of
    the month's last day, so that a row stays as it is. The series is told without its method, which names
    devices.
    """
    method = "^(method|method_version|measurer|examiner)="
    label = pl.col("label").str.split("; ").list.eval(pl.element().filter(~pl.element().str.contains(method)))
    labelled = series.select("series_id", series=label.list.join("; "))
    dated = results.with_columns(month_end=pl.col("local_date").dt.month_end())
    parts = [pl.DataFrame(schema=dict.fromkeys(_TOLD, pl.String) | {"value": pl.Float64})]
    for (end,), of_month in dated.partition_by("month_end", as_dict=True).items():
        if not isinstance(end, date) or end > last:
            continue
        monday = end - timedelta(days=end.weekday())
        aged = people.select("athlete_id", "sex", age_band=age_band(pl.col("birth_date"), end)).drop_nulls()
        at_sport = sports.filter(pl.col("week") == monday).select("athlete_id", "sport")
        rows = of_month.join(aged, on="athlete_id").join(at_sport, on="athlete_id", how="left")
        rows = rows.with_columns(month=pl.lit(end.strftime("%Y-%m"))).join(labelled, on="series_id")
        names = pl.Series([pseudonym(key, who) for who in rows["athlete_id"]], dtype=pl.String)
        parts.append(rows.select(*_TOLD[1:], "value", pseudonym=names))
    return _of_ten(pl.concat(parts, how="diagonal")).select(*_TOLD[:-1], "value", "unit").sort(pl.all())


def _of_ten(rows: pl.DataFrame) -> pl.DataFrame:
    """The rows that 10 athletes share, with a sport or without; see `external_results`."""
    cell = ("sex", "age_band", "metric", "series", "month")
    athletes = pl.col("pseudonym").n_unique()
    rows = rows.with_columns(sport=pl.when(athletes.over(*cell, "sport") >= MINIMUM).then("sport"))
    # Fewer than 10 without a sport beside those with one would be a small group of their own.
    alone = pl.col("sport").is_null() & (athletes.over(*cell, "sport") < MINIMUM)
    rows = rows.with_columns(sport=pl.when(~alone.any().over(*cell)).then("sport"))
    return rows.filter(athletes.over(*cell) >= MINIMUM)


def publish_external(
    folder: Path,
    norms: Mapping[str, pl.DataFrame],
    results: pl.DataFrame,
    units: str,
    catalogue: dict[str, Metric],
) -> list[Path]:
    """Write `norms.csv`, from frames of those who agreed, and `results.csv`; returns them.

    The version is of what is told: a hash of all that went in would let a guess of one value be tried.
    """
    folder.mkdir(parents=True, exist_ok=True)
    told = coach_norms(dict(norms), units, catalogue, {}, CAUTION)
    digest = hashlib.sha256(told.drop("norms_version").write_csv().encode()).hexdigest()[:12]
    season = pl.col("norms_version").str.replace("-[^-]*$", "")
    told = told.with_columns(norms_version=pl.format("{}-{}", season, pl.lit(digest)))
    return [put_csv(folder / _NAMES[0], told), put(folder / _NAMES[1], csv_writer(results))]


def remove_external(folder: Path) -> None:
    """Take the external edition away: nobody's consent stands."""
    for name in _NAMES:
        (folder / name).unlink(missing_ok=True)

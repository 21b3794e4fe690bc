"""What only the restricted file may have: the same tables twice, without those rows and with them alone."""

from __future__ import annotations

from collections.abc import Mapping
from functools import partial

import polars as pl

from pipeline.analysis.minors import of_minors, restricted_values
from pipeline.publish.frames import Lazily
from schemas.catalogue import Metric
from schemas.codes import CODES
from schemas.families import FAMILIES

# Kinds of events: what anybody may know of a single athlete, and what nobody may, of a squad either.
_TRAINING = ("block", "camp", "season")
_HEALTH = ("injury", "illness")

Frames = dict[str, pl.DataFrame]


def split_restricted(
    frames: Mapping[str, pl.DataFrame], births: pl.DataFrame, catalogue: Mapping[str, Metric]
) -> tuple[Mapping[str, pl.DataFrame], Frames]:
    """Frames for everybody, each made when it is asked for, and rows that only the restricted file may have.

    Apart are injuries and illnesses, and whatever else of a single athlete is no training (a break may be
    about health); and of the metrics that the catalogue
    restricts (body composition, maturity) the values, results and levels of people under 18 on the date of
    the test, changes since such a date, and their trials with earlier versions where the family has no other
    metrics. `births`: athlete_id,
    birth_date. What waits in a file of such a device shows its code only: whose it is may not be known yet.
    So do a held line that is quoted whole and a file's name that does not fit, for names may stand in them.
    Tables without such rows are not in the second.
    """
    apart: Frames = {}
    hidden: dict[str, pl.Expr] = {}

    def part(name: str, restricted: pl.Expr) -> None:
        rows = frames[name].filter(restricted)
        if rows.height:
            apart[name], hidden[name] = rows, restricted

    families = restricted_families(catalogue)
    tables = {FAMILIES[family].table for family in families}
    minor = of_minors(births, pl.col("athlete_id"), pl.col("local_date"))
    for name in sorted(tables):
        part(name, minor)
    for name in ("measurements", "results", "trends"):
        part(name, restricted_values(catalogue, births))
    for name, day in (("changes", "from_date"), ("personal_bests", "set_on")):
        part(name, restricted_values(catalogue, births, day))
    part("measurement_inputs", _among(apart, "measurements", "measurement_id"))
    # An earlier version may name the wrong athlete or day, so what holds of the row now counts as well.
    of_row = [(pl.col("source_table") == name) & _among(apart, name, "row_id") for name in sorted(tables)]
    of_version = pl.col("source_table").is_in(sorted(tables)) & _minors_json(births)
    part("superseded_rows", pl.any_horizontal(of_version, *of_row))
    owners = {"measurements": "measurement_id", **dict.fromkeys(sorted(tables), "row_id")}
    flagged = [
        (pl.col("owner_table") == owner) & _among(apart, owner, key, "owner_id")
        for owner, key in owners.items()
    ]
    part("value_flags", pl.any_horizontal(flagged))
    of_one = pl.col("athlete_id").is_not_null() & ~pl.col("kind").is_in(_TRAINING)
    part("events", of_one | pl.col("kind").is_in(_HEALTH))
    shown = {name: partial(_without, frames, name, hidden.get(name)) for name in frames}
    return Lazily(shown | {"held_rows": partial(_codes_only, frames, families)}), apart


def restricted_families(catalogue: Mapping[str, Metric]) -> set[str]:
    """Families with restricted metrics and no others: there the trials themselves tell what is restricted."""
    shown = {metric.family for metric in catalogue.values() if not metric.restricted_minors}
    return {metric.family for metric in catalogue.values()} - shown


def _without(frames: Mapping[str, pl.DataFrame], name: str, hidden: pl.Expr | None) -> pl.DataFrame:
    return frames[name] if hidden is None else frames[name].filter(~hidden)


def _among(apart: Frames, owner: str, key: str, column: str | None = None) -> pl.Expr:
    """Whether a column (named as the key, unless said) has the key of a row that is apart."""
    ids = apart[owner][key] if owner in apart else pl.Series(key, [], dtype=pl.String)
    return pl.col(column or key).is_in(ids.implode())


def _minors_json(births: pl.DataFrame) -> pl.Expr:
    """Whether an earlier version, kept as JSON, is a minor's."""
    day = pl.col("row").str.json_path_match("$.local_date").str.to_date(strict=False)
    return of_minors(births, pl.col("row").str.json_path_match("$.athlete_id"), day)


def _codes_only(frames: Mapping[str, pl.DataFrame], families: set[str]) -> pl.DataFrame:
    """Held rows without what was seen, where that is of these families, a whole line or a file's name."""
    held, files = frames["held_rows"], frames["files"]
    ids = files.filter(pl.col("family").is_in(families))["file_id"].str.slice(0, 16).unique()
    whole_line = pl.col("field").is_null() & pl.col("line").is_not_null()
    file_name = pl.col("code") == "name_pattern"
    concerned = whole_line | file_name | pl.col("file_id").str.slice(0, 16).is_in(ids.implode())
    sentence = pl.col("code").replace_strict({c.code: c.sentence for c in CODES.values()}, default="")
    return held.with_columns(
        value=pl.when(~concerned).then("value"),
        reason=pl.when(concerned).then(sentence).otherwise("reason"),
    )

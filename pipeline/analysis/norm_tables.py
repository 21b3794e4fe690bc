"""The tables of norms: which groups are written, and what a group's size allows."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import numpy as np
import polars as pl

from pipeline.numerics.percentiles import Ints
from schemas.catalogue import Metric
from schemas.frames import polars_schema
from schemas.tables import TABLES

MINIMUM = 8  # a group of fewer athletes is not written (methods, C7)
PERCENTILE_NEEDS = {5: 100, 10: 40, 25: 20, 50: MINIMUM, 75: 20, 90: 40, 95: 100}  # methods, C7
_PAIRS = {20: "25 and 75", 40: "10 and 90", 100: "5 and 95"}
_N = pl.col("n_athletes")


def norm_tables(
    weeks: Sequence[pl.DataFrame], populations: pl.DataFrame, catalogue: Mapping[str, Metric]
) -> dict[str, pl.DataFrame]:
    """`populations`, `norms` and `norm_percentiles` of the groups that are large enough.

    A group with the very athletes of the next wider one says nothing of its own for that series and week:
    only the wider is written. A population without any row is left out, unless it is the parent of another.

    `weeks` are frames of a week each, one or more, the earlier first; they have a row a group and series:
    season, week, norms_version, label, metric, series_id, n_athletes, mean, sd, shrunk_mean, shrunk_sd, and
    p05 …, low05 …, high05 … a percentile, NaN where there is none. `populations` is the declared table.
    """
    norms, percentiles = [], []
    for groups in weeks:
        rows = _shown_rows(groups, populations, catalogue)
        norms.append(rows.select(_columns("norms")))
        percentiles.append(_long(rows))
    table = pl.concat(norms)
    return {
        "populations": _with_parents(populations, table["population_id"]),
        "norms": table,
        "norm_percentiles": pl.concat(percentiles),
    }


def _shown_rows(
    groups: pl.DataFrame, populations: pl.DataFrame, catalogue: Mapping[str, Metric]
) -> pl.DataFrame:
    """The groups of a week that are written, with what their size allows, in the order of the key."""
    units = {name: metric.unit for name, metric in catalogue.items()}
    worth = _worth_writing(groups, populations)
    rows = groups[worth["place"]].with_columns(
        worth["population_id"], unit=pl.col("metric").replace_strict(units, return_dtype=pl.String)
    )
    geometric = ("geometric_mean", "geometric_sd_percent")
    moments = dict.fromkeys(("mean", "sd", *geometric, "shrunk_mean", "shrunk_sd"), MINIMUM)
    points = {f"{what}{p:02d}": need for p, need in PERCENTILE_NEEDS.items() for what in ("p", "low", "high")}
    shown = [_shown(name, need) for name, need in (moments | points).items()]
    return rows.with_columns(*shown, withheld=_withheld())


def _worth_writing(groups: pl.DataFrame, populations: pl.DataFrame) -> pl.DataFrame:
    """The place and population_id of a week's groups of at least MINIMUM athletes that are not those of the
    next wider group, in the order of the key of `norms`."""
    written = populations.select("season", "label", "population_id", "parent_id")
    rows = groups.select("season", "week", "label", "series_id", "n_athletes").with_row_index("place")
    rows = rows.filter(_N >= MINIMUM).join(written, on=["season", "label"])
    wider = rows.select("series_id", parent_id="population_id", n_wider="n_athletes")
    judged = rows.join(wider, on=["series_id", "parent_id"], how="left")
    worth = judged.filter(_N.ne_missing(pl.col("n_wider")))
    return worth.sort(TABLES["norms"].key).select("place", "population_id")


def _with_parents(populations: pl.DataFrame, used: pl.Series) -> pl.DataFrame:
    """The populations that are used, their parents, and theirs."""
    wanted = set(used.unique())
    parents = dict(populations.select("population_id", "parent_id").iter_rows())
    for population in list(wanted):
        while (parent := parents.get(population)) is not None:
            wanted.add(parent)
            population = parent
    return populations.filter(pl.col("population_id").is_in(wanted))


def _columns(table: str) -> list[str]:
    return list(polars_schema(TABLES[table]))


def _shown(column: str, need: int) -> pl.Expr:
    """A column with only the values that enough athletes stand behind."""
    return pl.when(_N.ge(need)).then(pl.col(column).fill_nan(None)).alias(column)


def _long(rows: pl.DataFrame) -> pl.DataFrame:
    """A row a percentile, in the order of the key: every row seven times, its columns one after another."""
    times = len(PERCENTILE_NEEDS)
    named = rows.select(name for name in _columns("norm_percentiles") if name in rows.columns)
    again = named[np.repeat(np.arange(rows.height), times)]
    long = {
        name: rows.select(f"{what}{p:02d}" for p in PERCENTILE_NEEDS).to_numpy().reshape(-1)
        for what, name in (("p", "value"), ("low", "value_low"), ("high", "value_high"))
    }
    percentile = np.tile(np.array(list(PERCENTILE_NEEDS), dtype=np.int32), rows.height)
    columns = {name: pl.Series(column) for name, column in {"percentile": percentile, **long}.items()}
    told = again.with_columns(**columns, withheld=_withheld_percentiles(rows["n_athletes"].to_numpy()))
    return told.with_columns(pl.col(*long).fill_nan(None)).select(_columns("norm_percentiles"))


def _withheld() -> pl.Expr:
    """What is left out of a row of `norms`, and how many athletes it needs; NULL where nothing is."""
    sentence = pl.lit(None, pl.String)
    for enough in reversed(_PAIRS):
        needs = ", ".join(f"{pair} need {need}" for need, pair in _PAIRS.items() if need >= enough)
        several = pl.format(f"Percentiles {needs} athletes; there are {{}} here.", _N)
        sentence = pl.when(_N.lt(enough)).then(several).otherwise(sentence)
    return sentence


def _withheld_percentiles(n_athletes: Ints) -> pl.Series:
    """Why each percentile of groups is left out, NULL where it is shown: (n,) -> (n * percentiles,).

    There are few different sentences: each is put together once.
    """
    most, times = max(PERCENTILE_NEEDS.values()), len(PERCENTILE_NEEDS)
    sentences = [
        f"Percentile {p} needs {need} athletes; there are {n} here." if n < need else None
        for n in range(most + 1)
        for p, need in PERCENTILE_NEEDS.items()
    ]
    place = np.minimum(n_athletes, most)[:, None] * times + np.arange(times)
    return pl.Series(sentences, dtype=pl.String).gather(place.reshape(-1))

"""Measurements: the values of every family with their series, limits, flags and borrowed errors."""

from __future__ import annotations

import importlib
import pkgutil
from collections.abc import Iterator, Mapping
from functools import cache
from types import ModuleType

import polars as pl

import pipeline.metrics
from pipeline.ids import text_ids
from pipeline.metrics import other_tests
from pipeline.metrics.maxima import with_maxima
from pipeline.metrics.occasions import PEOPLE, occasions
from pipeline.metrics.rows import as_declared, join_codes
from pipeline.metrics.series import with_series
from schemas.catalogue import Metric
from schemas.codes import CODES, EXCLUDING
from schemas.families import FAMILIES
from schemas.frames import empty
from schemas.tables import TABLES

YOUTH_YEARS = 18
"""Under this age soft limits are those of youths; who is not known to be counts as an adult."""
_MADE = ("measurements", "measurement_inputs", "series")


@cache
def family_modules() -> tuple[ModuleType, ...]:
    """The modules of this package that are named after a device family, in the order of their names."""
    names = sorted(info.name for info in pkgutil.iter_modules(pipeline.metrics.__path__))
    return tuple(importlib.import_module(f"pipeline.metrics.{name}") for name in names if name in FAMILIES)


def flag_trials(trials: Mapping[str, pl.DataFrame]) -> dict[str, pl.DataFrame]:
    """The trial tables with `flags` completed: the operator's mark, and what a row and its run show.

    `trials`: table name -> frame as declared in `schemas.tables`, and the sample sets. Flagging twice
    changes nothing.
    """
    modules = [module for module in family_modules() if module.TABLE in trials]
    return {module.TABLE: _flagged(module, trials) for module in modules}


def _flagged(module: ModuleType, trials: Mapping[str, pl.DataFrame]) -> pl.DataFrame:
    rows = trials[module.TABLE]
    flagged: pl.DataFrame = rows if rows.is_empty() else module.flag(rows, *samples_of(module, trials))
    return flagged


def samples_of(module: ModuleType, trials: Mapping[str, pl.DataFrame]) -> tuple[pl.DataFrame, ...]:
    """The samples of a family with traces, as the one argument more that its functions take; else none."""
    trace = FAMILIES[module.FAMILY].trace
    return () if trace is None else (trials[trace.table],)


def measure_all(
    trials: Mapping[str, pl.DataFrame],
    sessions: pl.DataFrame,
    catalogue: Mapping[str, Metric],
    devices: Mapping[str, str],
    people: pl.DataFrame | None = None,
    trials_alone: bool = False,
) -> dict[str, pl.DataFrame]:
    """The tables `measurements`, `measurement_inputs`, `series` and `value_flags`, each sorted by its key.

    `trials`: table name -> current rows, and the sample sets. `sessions`: the table of that name. `devices`:
    device -> its method; a device not named is its own method. `people`: see `occasions`. `trials_alone`:
    only values of single trials, not those that several of an occasion come to (whose trial_id is NULL), and
    `value_flags` of trial rows.
    Raises KeyError where a metric is not in `catalogue`.
    """
    masses = known_on_the_day(trials, sessions, people, catalogue)
    flagged = flag_trials(trials)
    flags = [long_flags(frame, table, "row_id") for table, frame in flagged.items()]
    youths = masses.filter(pl.col("age_years") < YOUTH_YEARS)["session_id"]
    parts = {name: [empty(TABLES[name])] for name in _MADE}
    for module in family_modules():
        rows = flagged.pop(module.TABLE, None)
        if rows is not None and not rows.is_empty():
            values = _measured(module, rows, masses, trials, catalogue, trials_alone)
            of_family = _tables_of(values, catalogue, devices, youths)
            del rows, values  # wide, of all columns that some metric has
            for made in of_family:
                for name, frame in made.items():
                    parts[name].append(frame)
    tables = {name: pl.concat(parts.pop(name)) for name in _MADE}
    # A metric may come from several families, as force from gates and from traces.
    tables["series"] = tables["series"].unique("series_id")
    if not trials_alone:
        flags.append(long_flags(tables["measurements"], "measurements", "measurement_id"))
    tables = {name: frame.sort(TABLES[name].key) for name, frame in tables.items()}
    return {**tables, "value_flags": pl.concat([empty(TABLES["value_flags"]), *flags]).sort(pl.all())}


def _tables_of(
    values: pl.DataFrame, catalogue: Mapping[str, Metric], devices: Mapping[str, str], youths: pl.Series
) -> list[dict[str, pl.DataFrame]]:
    """Rows of the tables `_MADE` from the values of a family, metric by metric, of those that are on."""
    tables = []
    for name, of_metric in _by_metric(values):
        if catalogue[name].on:
            finished, series = _finish(of_metric, catalogue[name], devices, youths)
            tables.append(
                {
                    "measurements": as_declared(finished, "measurements"),
                    "measurement_inputs": _inputs(finished),
                    "series": as_declared(series, "series"),
                }
            )
    return tables


def _by_metric(values: pl.DataFrame) -> Iterator[tuple[str, pl.DataFrame]]:
    """The values of each metric; where they stand together, as they mostly do, without a copy of them."""
    runs = values["metric"].rle().struct.unnest()
    together, start = runs["value"].is_unique().to_list(), 0
    for (length, name), alone in zip(runs.rows(), together, strict=True):
        if alone:
            yield name, values.slice(start, length)
        start += length
    for name in runs["value"].filter(runs["value"].is_duplicated()).unique(maintain_order=True):
        yield name, values.filter(pl.col("metric") == name)


def known_on_the_day(
    trials: Mapping[str, pl.DataFrame],
    sessions: pl.DataFrame,
    people: pl.DataFrame | None,
    catalogue: Mapping[str, Metric],
) -> pl.DataFrame:
    """What family modules call `masses`: see `occasions` and `with_maxima`; nobody's sex is known without
    `people`."""
    readings = trials.get("body_readings", empty(TABLES["body_readings"]))
    tests = other_tests.flag(trials.get("other_trials", empty(TABLES["other_trials"])))
    lifted = other_tests.measure_declared(tests, catalogue).filter(pl.col("metric") == "one_rep_max")
    known = occasions(sessions, readings, pl.DataFrame(schema=PEOPLE) if people is None else people)
    return with_maxima(known, lifted)


def _measured(
    module: ModuleType,
    flagged: pl.DataFrame,
    masses: pl.DataFrame,
    trials: Mapping[str, pl.DataFrame],
    catalogue: Mapping[str, Metric],
    trials_alone: bool,
) -> pl.DataFrame:
    """The values of one family; families with traces are given their samples too.

    The family whose metrics a facility declares itself is given the catalogue: it says what they are. A
    family can say with `measure_trials` how values of single trials are made without the others.
    """
    if hasattr(module, "measure_declared"):
        declared: pl.DataFrame = module.measure_declared(flagged, catalogue)
        return declared
    measure = getattr(module, "measure_trials", module.measure) if trials_alone else module.measure
    values: pl.DataFrame = measure(flagged, masses, *samples_of(module, trials))
    return values.filter(pl.col("trial_id").is_not_null()) if trials_alone else values


def long_flags(frame: pl.DataFrame, owner_table: str, id_column: str) -> pl.DataFrame:
    """The rows of `value_flags` that the `flags` of a table say: owner_table, owner_id, code."""
    flagged = frame.select(owner_id=id_column, code="flags").drop_nulls("code")
    codes = flagged.select(
        pl.lit(owner_table).alias("owner_table"), "owner_id", pl.col("code").str.split(";")
    )
    return codes.explode("code")


def _finish(
    values: pl.DataFrame, metric: Metric, devices: Mapping[str, str], youths: pl.Series
) -> tuple[pl.DataFrame, pl.DataFrame]:
    """Values of one metric with series, limits, error, use, ids; `row_id` only where it alone feeds one. And
    their series, a row each.

    `youths`: the sessions of athletes who are known to be under 18.
    """
    placed, series = with_series(values.with_columns(method=pl.col("device").replace(devices)), metric)
    placed = placed.with_columns(
        measurement_id=text_ids(placed.select(pl.format(f"{metric.metric}|{{}}", "row_id")).to_series())
    )
    possible = pl.col("value").is_between(_limit(metric, "hard", 0), _limit(metric, "hard", 1))
    young = pl.col("session_id").is_in(youths.implode())
    low, high = (_limit(metric, "soft", end, young) for end in (0, 1))
    usual = pl.col("value").is_between(low, high)
    code = pl.when(~possible).then(pl.lit("range_hard")).when(~usual).then(pl.lit("range_soft"))
    limited = placed.with_columns(
        value=pl.when(possible).then(pl.col("value")), flags=join_codes(pl.col("flags"), code)
    )
    finished = limited.with_columns(
        why_not_used(limited["flags"]),
        row_id=pl.when(pl.col("inputs").is_null()).then(pl.col("row_id")),
        unit=pl.lit(metric.unit),
        standard_error=_standard_error(metric),
    ).with_columns(used=pl.col("why_not_used").is_null())
    return finished, series


def _limit(metric: Metric, kind: str, end: int, young: pl.Expr | None = None) -> pl.Expr:
    """The low (0) or high (1) limit of a row: of the first `limits` whose keys match, else the metric's.

    `young`: whether the metric's limit is that of youths, where it has one.
    """
    limit = pl.lit(getattr(metric, kind)[end])
    if young is not None and metric.soft_youth:
        limit = pl.when(young).then(pl.lit(metric.soft_youth[end])).otherwise(limit)
    for special in reversed(metric.limits):
        matches = pl.all_horizontal(pl.col(key).eq_missing(word) for key, word in special.when.items())
        limit = pl.when(matches).then(pl.lit(getattr(special, kind)[end])).otherwise(limit)
    return limit


def _standard_error(metric: Metric) -> pl.Expr:
    """That of the fit where a value is fitted, else the noise of one trial; NULL without a value."""
    error = pl.coalesce(pl.col("standard_error"), _trial_error(metric))
    return pl.when(pl.col("value").is_not_null()).then(error)


def _trial_error(metric: Metric) -> pl.Expr:
    """Noise of one trial in the metric's unit, from the published figure (per cent on the log scale)."""
    if metric.typical_error is None or metric.typical_error.trial is None:
        return pl.lit(None, dtype=pl.Float64)
    if metric.scale == "log":
        return pl.col("value") * metric.typical_error.trial / 100
    return pl.lit(metric.typical_error.trial)


def why_not_used(flags: pl.Series) -> pl.Series:
    """The sentences of the codes that take a value out, NULL where none does: once for each distinct text."""
    distinct = flags.drop_nulls().unique()
    excluding = [[code for code in text.split(";") if code in EXCLUDING] for text in distinct]
    texts = [" ".join(CODES[code].sentence for code in codes) or None for codes in excluding]
    reasons = pl.Series(texts, dtype=pl.String)
    why = flags.replace_strict(distinct, reasons, default=None, return_dtype=pl.String)
    return why.alias("why_not_used")


def _inputs(values: pl.DataFrame) -> pl.DataFrame:
    several = values.filter(pl.col("inputs").is_not_null()).select("measurement_id", "inputs")
    return as_declared(several.explode("inputs").unnest("inputs"), "measurement_inputs")

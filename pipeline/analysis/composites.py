"""One number for a profile, beside its parts: the mean of the means of domains, so that correlated tests do
not vote twice.

The weights are a convention, tested by nobody: it is no measure of talent and no ranking, and never the only
ground for a choice (methods, B9).
"""

from __future__ import annotations

from collections.abc import Mapping
from datetime import date, timedelta

import polars as pl

from pipeline.analysis.minors import ADULT_YEARS
from pipeline.analysis.populations import completed_years
from schemas.catalogue import Metric
from schemas.frames import polars_schema
from schemas.tables import TABLES

COVERAGE_NEEDS = 60.0  # per cent of the domains (methods, B9)
_METRIC = "composite_score"
_YOUTH = "Not shown under 18: at one age, bodies differ in maturity."
_STATE = "Not shown now: see the coach."
_FEW = "Too few qualities tested: {} of {}; 60 % and at least two are needed."


def composites(
    compared: pl.DataFrame,
    people: pl.DataFrame,
    states: pl.DataFrame,
    catalogue: Mapping[str, Metric],
    as_of: date,
) -> dict[str, pl.DataFrame]:
    """The tables `composites` and `composite_parts` of the week that `as_of` is in.

    `compared`: rows of `against_group`, all against the widest group (sex and age band), for only then are
    all scores of an athlete among the same people. `people`: athlete_id, birth_date. `states`: athlete_id
    and available. A domain's score is the mean of its series' z; the composite the mean of its domains', told
    as T = 50 + 10 z. Errors of the series are taken as independent. The domains that could be there are those
    in which somebody of the group has a score.
    """
    domains = {m.metric: m.domain for m in catalogue.values() if m.domain is not None}
    scored = compared.filter(pl.col("metric").is_in(list(domains)) & pl.col("z").is_not_null())
    scored = scored.with_columns(domain=pl.col("metric").replace_strict(domains, return_dtype=pl.String))
    known = pl.col("z_error").is_not_null().all()
    error = (pl.col("z_error") ** 2).sum().sqrt() / pl.len()
    head = ["week", "norms_version", "athlete_id", "population_id"]
    parts = (
        scored.sort("series_id")
        .group_by(*head, "domain", maintain_order=True)
        .agg(pl.col("z").mean(), z_error=pl.when(known).then(error), n_series=pl.len())
        .sort("athlete_id", "domain")
    )
    n_all = parts.group_by("population_id").agg(n_domains_of=pl.col("domain").n_unique())
    whole = (
        parts.group_by(head, maintain_order=True)
        .agg(
            z=pl.col("z").mean(),
            value_error=10 * pl.when(known).then(error),
            n_domains=pl.len(),
        )
        .join(n_all, on="population_id", maintain_order="left")
        .with_columns(coverage=100 * pl.col("n_domains") / pl.col("n_domains_of"))
    )
    week = as_of - timedelta(days=as_of.weekday())
    said = whole.with_columns(withheld=_withheld(people, states, week + timedelta(days=6)))
    shown = pl.col("withheld").is_null()
    rows = said.with_columns(
        value=pl.when(shown).then(50 + 10 * pl.col("z")),
        value_error=pl.when(shown).then(pl.col("value_error")),
        metric=pl.lit(_METRIC),
        unit=pl.lit("1"),
    )
    # A hidden composite could be made again from its parts.
    kept = parts.join(rows.filter(shown), on="athlete_id", how="semi")
    return {"composites": _table("composites", rows), "composite_parts": _table("composite_parts", kept)}


def _withheld(people: pl.DataFrame, states: pl.DataFrame, sunday: date) -> pl.Expr:
    """Why an athlete's composite is not shown; NULL where it is."""
    adults = people.filter(completed_years(pl.col("birth_date"), sunday) >= ADULT_YEARS)["athlete_id"]
    full = states.filter(pl.col("available") == "yes")["athlete_id"]
    few = (pl.col("coverage") < COVERAGE_NEEDS) | (pl.col("n_domains") < 2)
    return (
        pl.when(~pl.col("athlete_id").is_in(adults.implode()))
        .then(pl.lit(_YOUTH))
        .when(~pl.col("athlete_id").is_in(full.implode()))
        .then(pl.lit(_STATE))
        .when(few)
        .then(pl.format(_FEW, "n_domains", "n_domains_of"))
    )


def _table(name: str, rows: pl.DataFrame) -> pl.DataFrame:
    schema = polars_schema(TABLES[name])
    return rows.select(pl.col(c).cast(t) for c, t in schema.items()).sort(TABLES[name].key)

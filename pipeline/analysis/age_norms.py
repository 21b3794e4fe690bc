"""What is usual at an age: smooth curves for youths of 10 to 18, and where each of them stands on them.

A curve is of one sex and series, from all who have a value there. Where 100 or more do it is an LMS curve;
from 20 the simpler log-quadratic one; of fewer there is none. Published curves stand beside these with their
citation, each in rows of its own: nothing is ever mixed.
"""

from __future__ import annotations

from collections.abc import Mapping
from datetime import date, timedelta

import numpy as np
import polars as pl
from scipy.special import ndtr, ndtri

from pipeline.analysis.one_value import usable, values_of_week
from pipeline.analysis.sessions import shown_age
from pipeline.numerics.grouped import medians_of_ranges
from pipeline.numerics.lms import fit_lms, fit_log_quadratic, lms_value, lms_z
from pipeline.numerics.standing import Z90, median_error_factor
from schemas.catalogue import Metric
from schemas.frames import empty, polars_schema
from schemas.tables import TABLES

YOUNGEST, OLDEST = 10.0, 18.0
LMS_NEEDS, CURVE_NEEDS = 100, 20  # athletes; the first from methods, C7, the second judgement
_STEP = 0.5  # years between the rows of a curve
_PERCENTILES = (10, 25, 50, 75, 90)
_OWN = "athletes who tested here"
_CURVE = ["metric", "series_id", "sex"]


def age_norms(
    results: pl.DataFrame,
    people: pl.DataFrame,
    published: pl.DataFrame,
    catalogue: Mapping[str, Metric],
    as_of: date,
) -> dict[str, pl.DataFrame]:
    """The tables `age_norms` and `against_age` of the week that `as_of` is in.

    `results` and `people` as in `weekly_norms`; `published` has source, metric, sex, age_years, l, m, s. Ages
    are those that are shown (`shown_age`) on the week's Sunday: exact ones would give birth dates away.
    Metrics whose values can't be put on a log scale, and those of body composition, have no curve.
    """
    week = as_of - timedelta(days=as_of.weekday())
    youths = _youths(results, people, catalogue, week, as_of)
    own = _own_curves(youths)
    units = {name: metric.unit for name, metric in catalogue.items()}
    curves = pl.concat([own, _published_curves(published, youths)]).with_columns(
        week=pl.lit(week), unit=pl.col("metric").replace_strict(units, return_dtype=pl.String)
    )
    return {"age_norms": _table("age_norms", curves), "against_age": _against(youths, curves, catalogue)}


def _table(name: str, rows: pl.DataFrame) -> pl.DataFrame:
    schema = polars_schema(TABLES[name])
    return rows.select(pl.col(c).cast(t) for c, t in schema.items()).sort(TABLES[name].key)


def _youths(
    results: pl.DataFrame, people: pl.DataFrame, catalogue: Mapping[str, Metric], week: date, as_of: date
) -> pl.DataFrame:
    """The youths' values above 0: athlete_id, metric, series_id, sex, age_years, value, value_error."""
    smooth = [m.metric for m in catalogue.values() if m.scale == "log" and not m.restricted_minors]
    age = shown_age(pl.col("birth_date"), pl.lit(week + timedelta(days=6)))
    aged = people.drop_nulls("sex").select("athlete_id", "sex", age_years=age)
    aged = aged.filter(pl.col("age_years").is_between(YOUNGEST, OLDEST))
    young = results.filter(pl.col("metric").is_in(smooth)).join(aged, on="athlete_id", how="semi")
    sessions = usable(young, aged, [week], as_of, ("value", "session_error"))
    values = values_of_week(sessions, week)
    error = medians_of_ranges(sessions.numbers["session_error"], values.first, values.count)
    found = pl.DataFrame(
        {
            "athlete_id": sessions.athletes.gather(values.athlete),
            **sessions.series[values.series].to_dict(),
            "value": values.value,
            "value_error": error * median_error_factor(values.count),
        }
    )
    return found.join(aged, on="athlete_id", maintain_order="left").filter(pl.col("value") > 0)


def _own_curves(youths: pl.DataFrame) -> pl.DataFrame:
    """Rows of the curves that the values give, half a year apart, within the ages that there are."""
    found = [_no_curves()]
    for (metric, series, sex), part in youths.group_by(_CURVE, maintain_order=True):
        if part.height < CURVE_NEEDS or part["age_years"].n_unique() < 4:
            continue
        ordered = part.sort("age_years", "value")
        age, value = ordered["age_years"].to_numpy(), ordered["value"].to_numpy()
        method, fit = ("lms", fit_lms) if part.height >= LMS_NEEDS else ("log_quadratic", fit_log_quadratic)
        ages = np.arange(np.floor(age[0] / _STEP), np.ceil(age[-1] / _STEP) + 1) * _STEP
        power, median, spread = fit(age, value).at(ages)
        if not np.all(spread > 1e-9) or not np.all(np.isfinite(median)):
            continue
        said = {"metric": metric, "series_id": series, "sex": sex, "method": method, "source": _OWN}
        rows = pl.DataFrame({"age_years": ages, "l": power, "m": median, "s": spread}).with_columns(
            *(pl.lit(text).alias(name) for name, text in said.items()), n_athletes=pl.lit(part.height)
        )
        found.append(_with_percentiles(rows))
    return pl.concat(found, how="diagonal_relaxed").select(_no_curves().columns)


def _published_curves(published: pl.DataFrame, youths: pl.DataFrame) -> pl.DataFrame:
    """The published curves, for every series of their metric that some youth has a value in."""
    series = youths.select(_CURVE).unique()
    rows = published.drop("line", strict=False).join(series, on=["metric", "sex"])
    said = rows.with_columns(method=pl.lit("published"), n_athletes=pl.lit(None, pl.Int32))
    return pl.concat([_no_curves(), _with_percentiles(said)], how="diagonal_relaxed").select(
        _no_curves().columns
    )


def _no_curves() -> pl.DataFrame:
    return empty(TABLES["age_norms"]).drop("week", "unit")


def _with_percentiles(rows: pl.DataFrame) -> pl.DataFrame:
    lms = [rows[name].to_numpy() for name in ("l", "m", "s")]
    points = {f"p{p:02d}": lms_value(ndtri(p / 100), *lms) for p in _PERCENTILES}
    return rows.with_columns(**{name: pl.Series(value).fill_nan(None) for name, value in points.items()})


def _against(youths: pl.DataFrame, curves: pl.DataFrame, catalogue: Mapping[str, Metric]) -> pl.DataFrame:
    """The table `against_age`: L, M and S are interpolated in age between the rows of a curve."""
    key = [*_CURVE, "method", "source"]
    found = [empty(TABLES["against_age"])]
    for (metric, series, sex, method, source), curve in curves.group_by(key, maintain_order=True):
        curve = curve.sort("age_years")
        ages = curve["age_years"].to_numpy()
        here = youths.filter(metric=metric, series_id=series, sex=sex).filter(
            pl.col("age_years").is_between(ages[0], ages[-1])
        )
        at = [
            np.interp(here["age_years"].to_numpy(), ages, curve[name].to_numpy()) for name in ("l", "m", "s")
        ]
        value, error = here["value"].to_numpy(), here["value_error"].to_numpy()
        better = catalogue[str(metric)].better
        scores = [lms_z(value * np.exp(end * Z90 * error / value), *at) for end in (0, -1, 1)]
        z, low, high = scores if better != "lower" else [-scores[0], -scores[2], -scores[1]]
        numbers = {
            "z": z, "z_low": low, "z_high": high, "percentile": np.clip(100 * ndtr(z), 1, 99)
        }  # fmt: skip
        if better == "context":
            numbers = dict.fromkeys(numbers, np.full(value.size, np.nan))
        found.append(
            here.with_columns(
                *(pl.lit(text).alias(name) for name, text in (("method", method), ("source", source))),
                week=curve["week"][0],
                unit=pl.lit(curve["unit"][0]),
                **{name: pl.Series(column).fill_nan(None) for name, column in numbers.items()},
            ).with_columns(pl.col("value_error").fill_nan(None))
        )
    return _table("against_age", pl.concat(found, how="diagonal_relaxed"))

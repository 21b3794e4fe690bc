"""An athlete against the others of a group: percentile and standard score, each with what is known of it.

Compared is the value that enters the norms: the median of the sessions of 365 days, with the narrowest group
of the ladder that has norms and at least 8 others. The athlete is left out of the group (methods, C7).
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from datetime import date, timedelta
from itertools import product
from typing import Any

import numpy as np
import polars as pl
from numpy.typing import NDArray

from pipeline.analysis.norm_tables import MINIMUM
from pipeline.analysis.norms import GroupedWeek, group_week
from pipeline.analysis.one_value import Usable, Values, last_days, usable, values_of_week
from pipeline.analysis.populations import RUNGS, season_label
from pipeline.numerics.grouped import ascending, medians_of_ranges
from pipeline.numerics.percentiles import Floats, Ints
from pipeline.numerics.shrinkage import group_moments
from pipeline.numerics.standing import Z90, joined_limit, median_error_factor, wilson_interval, without_self
from schemas.catalogue import Metric
from schemas.frames import empty, polars_schema
from schemas.tables import TABLES

_NO_DIRECTION = "No direction of this test is better: percentile_raw counts those below."
_NO_ERROR = "No interval: how far this test is off from day to day is not known yet."
_NO_SPREAD = "No standard score: the others do not differ, or a value is not above 0."
_CLIPPED = ("percentile", "percentile_low", "percentile_high")


def against_group(
    results: pl.DataFrame,
    people: pl.DataFrame,
    states: pl.DataFrame,
    norms: pl.DataFrame,
    populations: pl.DataFrame,
    catalogue: Mapping[str, Metric],
    as_of: date,
    season_start: str,
    rungs: Sequence[int] = range(1, len(RUNGS) + 1),
) -> pl.DataFrame:
    """The table `against_group` of the week that `as_of` is in; arguments as in `weekly_norms`.

    `norms` and `populations` are its tables, `rungs` those of the ladder that may be used. Metrics that say
    how a body is composed have no row: nobody is ranked by them.
    """
    week = as_of - timedelta(days=as_of.weekday())
    sessions = usable(results, people, [week], as_of, ("value", "session_error"))
    values = values_of_week(sessions, week)
    here = norms.filter(pl.col("week") == week)
    if values.value.size == 0 or here.is_empty():
        return empty(TABLES["against_group"])
    grouped = group_week(sessions, values, people, states.filter(pl.col("week") == week), week)
    season = season_label(week + timedelta(days=6), season_start)
    written = _written(grouped, sessions, here, populations.filter(pl.col("season") == season), catalogue)
    cell = _chosen(grouped, sessions, values, written["code"].to_numpy(), rungs)
    rows, at, below, equal = grouped.cells.standing(cell)
    numbers = _numbers(sessions, values, grouped, catalogue, rows, at, below + equal / 2)
    order = _in_order_of_key(sessions, values, rows)
    rows = rows[order]
    where = np.searchsorted(written["code"].to_numpy(), cell[rows])
    frame = written.drop("code", "label")[where].with_columns(
        athlete_id=sessions.athletes.gather(values.athlete[rows]),
        value=pl.Series(values.value[rows]),
        n_sessions=pl.Series(values.count[rows]),
        last_date=last_days(sessions, values)[rows],
        **{name: pl.Series(column[order]) for name, column in numbers.items()},
    )
    return _turned(frame.with_columns(week=pl.lit(week))).select(
        pl.col(name).cast(kind) for name, kind in polars_schema(TABLES["against_group"]).items()
    )


def _in_order_of_key(sessions: Usable, values: Values, rows: Ints) -> Ints:
    """The order of some values by athlete_id and series_id, the key of the table within a week."""
    n_series = sessions.series.height
    place = np.empty(n_series, dtype=np.int64)
    place[sessions.series["series_id"].arg_sort().to_numpy()] = np.arange(n_series)
    return ascending(values.athlete[rows] * n_series + place[values.series[rows]])[1]


def _written(
    grouped: GroupedWeek,
    sessions: Usable,
    norms: pl.DataFrame,
    populations: pl.DataFrame,
    catalogue: Mapping[str, Metric],
) -> pl.DataFrame:
    """The cells with norms and at least 8 others, by code: population, series, unit and version of each,
    whether `higher` is better (context: as it is); none of a metric that says how a body is composed."""
    ranked = [name for name, metric in catalogue.items() if not metric.restricted_minors]
    code, offsets = grouped.cells.bounds
    large = np.flatnonzero(np.diff(offsets) > MINIMUM)
    group, serial = np.divmod(code[large], sessions.series.height)
    labels = grouped.rungs.select("group", "label").unique().sort("group")["label"]
    cells = pl.concat(
        [
            pl.DataFrame({"code": code[large], "label": labels.gather(group)}),
            sessions.series[serial],
        ],
        how="horizontal",
    )
    cells = cells.filter(pl.col("metric").is_in(ranked))
    better = pl.col("metric").replace_strict({name: metric.better for name, metric in catalogue.items()})
    cells = cells.with_columns(higher=better != "lower", context=better == "context")
    cells = cells.join(populations.select("label", "population_id"), on="label")
    said = norms.select("population_id", "series_id", "norms_version", "unit")
    return cells.join(said, on=["population_id", "series_id"]).sort("code")


def _chosen(
    grouped: GroupedWeek, sessions: Usable, values: Values, written: Ints, rungs: Sequence[int]
) -> Ints:
    """The cell that each value is compared in, the narrowest that is among `written`; -1 where none is."""
    chosen = np.full(values.value.size, -1, dtype=np.int64)
    known = np.zeros(written.max(initial=-1) + 1, dtype=np.bool_)
    known[written] = True
    for rung in sorted(rungs, reverse=True):
        if str(rung) not in grouped.of_athlete:
            continue
        group = grouped.of_athlete[str(rung)][values.athlete]
        cell = group * sessions.series.height + values.series
        may = (group >= 0) & (cell < known.size)
        may[may] = known[cell[may]]
        chosen[may] = cell[may]
    return chosen


def _numbers(
    sessions: Usable,
    values: Values,
    grouped: GroupedWeek,
    catalogue: Mapping[str, Metric],
    rows: Ints,
    at: Ints,
    count: Floats,
) -> dict[str, NDArray[Any]]:
    """What is computed of each comparison, as measured; NaN where there is none.

    `rows` and `at` are those of `Grouped.standing`; `count` of the others are below, a tie counts half.
    """
    value, serial = values.value[rows], values.series[rows]
    logs = np.array([catalogue[metric].scale == "log" for metric in sessions.series["metric"]], dtype=bool)
    on_log = logs[serial]
    of_session = medians_of_ranges(sessions.numbers["session_error"], values.first[rows], values.count[rows])
    error = of_session * median_error_factor(values.count[rows])
    code, offsets = grouped.cells.bounds
    n = np.diff(offsets)[at]
    with np.errstate(divide="ignore", invalid="ignore"):
        step = np.where(on_log, Z90 * error / value, Z90 * error)
        low = np.where(on_log, value * np.exp(-step), value - step)
        high = np.where(on_log, value * np.exp(step), value + step)
        z, z_error = _standard(
            grouped, offsets, at, logs[code % sessions.series.height], value, error, on_log
        )
    return {
        "value_error": error,
        "n_others": n - 1,
        **_percentiles(grouped, at, n - 1, count, low, high),
        "z": z,
        "z_error": z_error,
    }


def _percentiles(
    grouped: GroupedWeek, at: Ints, others: Ints, count: Floats, low: Floats, high: Floats
) -> dict[str, Floats]:
    """Mid-rank percentile of an athlete with `count` of the others below, and its 90 % interval: what
    measurement error (from `low` to `high`) and the number of others leave open, joined."""
    cells = grouped.cells
    share = count / others
    few, many = wilson_interval(count, others)
    # The athlete is below the upper end, and not below the lower.
    lowest = np.where(np.isnan(low), np.nan, cells.below(at, low) / others)
    highest = np.where(np.isnan(high), np.nan, (cells.below(at, high, or_equal=True) - 1) / others)
    return {
        "percentile": 100 * share,
        "percentile_low": 100 * joined_limit(share, np.minimum(lowest, share), np.minimum(few, share)),
        "percentile_high": 100 * joined_limit(share, np.maximum(highest, share), np.maximum(many, share)),
    }


def _standard(
    grouped: GroupedWeek,
    offsets: Ints,
    at: Ints,
    cell_on_log: Floats,
    value: Floats,
    error: Floats,
    on_log: Floats,
) -> tuple[Floats, Floats]:
    """Standard score among the others on the scale of the metric, and its error: of measurement, of the
    others' mean and of their SD."""
    size = np.diff(offsets)
    ordered = grouped.cells.ordered
    scaled = np.where(np.repeat(cell_on_log, size), np.log(ordered), ordered)
    mean, sd = group_moments(scaled, offsets)
    own = np.where(on_log, np.log(value), value)
    others = size[at] - 1
    centre, spread = without_self(own, size[at], mean[at], sd[at])
    z = (own - centre) / np.where(spread > 0, spread, np.nan)
    measured = np.where(on_log, error / value, error) / spread
    return z, np.sqrt(measured**2 + 1 / others + z**2 / (2 * (others - 1)))


def _turned(rows: pl.DataFrame) -> pl.DataFrame:
    """The comparisons with percentile and z turned so that high is better, clipped to 1 to 99, and T."""
    higher, context = pl.col("higher"), pl.col("context")
    clipped = {name: pl.col(name).fill_nan(None).clip(1, 99) for name in _CLIPPED}
    raw = {name.replace("percentile", "percentile_raw"): column for name, column in clipped.items()}
    rows = rows.with_columns(**raw, z=pl.col("z").fill_nan(None))

    def turn(as_is: str, turned: str) -> pl.Expr:
        found = pl.when(higher).then(pl.col(as_is)).otherwise(100 - pl.col(turned))
        return pl.when(~context).then(found)

    z = pl.when(~context).then(pl.when(higher).then(pl.col("z")).otherwise(-pl.col("z")))
    sentences = (
        (context, _NO_DIRECTION),
        (pl.col("value_error").is_nan(), _NO_ERROR),
        (~context & pl.col("z").is_null(), _NO_SPREAD),
    )
    # There are few sets of sentences: each is put together once.
    number = pl.lit(0, pl.UInt32)
    for holds, _ in sentences:
        number = number * 2 + holds.cast(pl.UInt32)
    sets = product(*((None, text) for _, text in sentences))
    said = pl.Series([" ".join(filter(None, one)) or None for one in sets], dtype=pl.String)
    return rows.with_columns(
        percentile=turn("percentile_raw", "percentile_raw"),
        percentile_low=turn("percentile_raw_low", "percentile_raw_high"),
        percentile_high=turn("percentile_raw_high", "percentile_raw_low"),
        z=z,
        z_error=pl.when(z.is_not_null()).then(pl.col("z_error").fill_nan(None)),
        t_score=50 + 10 * z,
        value_error=pl.col("value_error").fill_nan(None),
        withheld=said.gather(rows.select(number).to_series()),
    )

"""Changes: how far a level has moved over a span, how likely that matters, how often that is wrong."""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np
import polars as pl

from pipeline.analysis.errors import with_errors
from pipeline.analysis.level_rows import laid_out
from pipeline.analysis.plain_odds import plain_odds
from pipeline.analysis.spans import anchors, looks
from pipeline.analysis.usable import LINE
from pipeline.metrics.rows import as_table
from pipeline.numerics.level_pass import Comparison
from pipeline.numerics.local_level import Rows
from pipeline.numerics.percentiles import Floats, Ints
from pipeline.numerics.two_speeds import mixed_comparison
from pipeline.numerics.verdicts import (
    LEANING,
    SURE,
    Odds,
    Settling,
    false_call,
    false_call_twice,
    half_width,
    odds,
    sessions_needed,
    verdict,
)
from schemas.catalogue import Metric
from schemas.change_fields import SPANS

TREND_SESSIONS = 3
"""Sessions from which a level is followed; below, values are compared with values (methods, C6)."""
SURE_SESSIONS = 2
"""Sessions that `better` and `worse` ask for on either side (methods, C5)."""
_UNSETTLED = "This baseline cannot settle it: start a new one."
_CHANCES = ("false_standing", "false_new", "false_leaning")
SUMMED = (
    *(*LINE, "span", "look", "as_of", "from_date", "verdict", *_CHANCES),
    *("session_id", "full", "log", "y_change", "y_variance"),
)
"""What sums over followed changes are made of."""
# What a change is worked out from and is not told with it.
_SPENT = (
    *("pool", "age_class", "local_date", "value", "y", "n_trials", "first", "anew", "crosses", "row"),
    *("between", "within", "drift", "worthwhile", "worthwhile_value"),
    *("place", "count", "from_row", "from_y", "from_shares"),
)


def followed_changes(
    days: pl.DataFrame,
    registry: pl.DataFrame,
    events: pl.DataFrame,
    squads: pl.DataFrame,
    catalogue: Mapping[str, Metric],
    season_start: str,
) -> pl.DataFrame:
    """Every change of every look, a row a span: the columns of the table `changes`, and what sums need.

    Beside them: session_id and full (of the session looked at), y_change and y_variance (values against
    values, analysis scale), log, degrees, and the chances of false calls `false_standing`, `false_new`,
    `false_leaning`. Errors are those of the look's week. A series without a known error has no row.
    """
    rows = _compared(days, registry, events, squads, catalogue, season_start)
    return _in_units(_with_chances(_with_odds(rows, catalogue)), catalogue)


def _compared(
    days: pl.DataFrame,
    registry: pl.DataFrame,
    events: pl.DataFrame,
    squads: pl.DataFrame,
    catalogue: Mapping[str, Metric],
    season_start: str,
) -> pl.DataFrame:
    """A row a look and span, with what the level has done since."""
    days = days.filter(~pl.col("first")).sort(*LINE, "local_date")
    at = with_errors(looks(days), registry, catalogue).filter(pl.col("between").is_not_null())
    at = at.with_row_index("look").with_columns(pl.col("look").cast(pl.Int64))
    spans = anchors(days, at, events, squads, season_start)
    sessions, first, _ = laid_out(days)
    last = at["row"].to_numpy()
    begin = first[np.searchsorted(first, last, side="right") - 1] if at.height else last
    noise = (at[name].to_numpy() for name in ("between", "within", "drift"))
    compared = mixed_comparison(sessions, Rows(begin, last - begin + 1, *noise), *_by_span(at.height, spans))
    rows = _side_by_side(compared, spans.join(at, on="look", how="left", maintain_order="left"))
    return rows.drop(_SPENT)


def _by_span(count: int, spans: pl.DataFrame) -> tuple[Ints, Ints]:
    """Place and number of the sessions of each anchor, (spans, looks); a number of 0: none."""
    place, size = (np.zeros((len(SPANS), count), dtype=np.int64) for _ in range(2))
    at = _number(spans), spans["look"].to_numpy()
    place[at], size[at] = spans["place"].to_numpy(), spans["count"].to_numpy()
    return place, size


def _number(spans: pl.DataFrame) -> Ints:
    numbers = {span: number for number, span in enumerate(SPANS)}
    return spans["span"].replace_strict(numbers, return_dtype=pl.Int64).to_numpy()


def _side_by_side(found: Comparison, rows: pl.DataFrame) -> pl.DataFrame:
    """A row a look and span: the level followed, or where sessions are few values against values."""
    at = _number(rows), rows["look"].to_numpy()
    now = pl.col("between") + pl.col("within") / pl.col("n_trials")
    then = (pl.col("between") + pl.col("within") * pl.col("from_shares")) / pl.col("count")
    rows = rows.with_columns(y_change=pl.col("y") - pl.col("from_y"), y_variance=now + then, noise=now)
    trend = pl.col("nth") + 1 >= TREND_SESSIONS
    either = {
        "y_to": (found.level[at[1]], "y"),
        "y_from": (found.anchor[at], "from_y"),
        "level_variance": (found.variance[at[1]], "noise"),
        "variance": (found.change_variance[at], "y_variance"),
        "gain": (found.gain[at], "noise"),
        "null_variance": (found.null_variance[at], "y_variance"),
    }
    before = {
        "before_variance": found.before_variance[at],
        "before_null_variance": found.before_null_variance[at],
        "null_covariance": found.null_covariance[at],
    }
    return rows.with_columns(
        **{
            name: pl.when(trend).then(pl.Series(followed)).otherwise(plain)
            for name, (followed, plain) in either.items()
        },
        **{name: pl.Series(values) for name, values in before.items()},
        basis=pl.when(trend).then(pl.lit("trend")).otherwise(pl.lit("pairs")),
        n_before=(pl.col("place") + pl.col("count")).cast(pl.Int32),
        n_after=(pl.col("row") - pl.col("from_row")).cast(pl.Int32),
    ).with_columns(
        y_change_now=pl.col("y_to") - pl.col("y_from"),
        may_be_sure=trend & (pl.col("n_before") >= SURE_SESSIONS) & (pl.col("n_after") >= SURE_SESSIONS),
        matters=_matters(),
    )


def _matters() -> pl.Expr:
    """The smallest worthwhile change on the analysis scale; the coach's is in the unit, so by level."""
    own = (
        pl.when("log")
        .then((pl.col("worthwhile_value") / pl.col("y_from").exp()).log1p())
        .otherwise("worthwhile_value")
    )
    return pl.when(pl.col("worthwhile_value").is_not_null()).then(own).otherwise("worthwhile")


def _with_odds(rows: pl.DataFrame, catalogue: Mapping[str, Metric]) -> pl.DataFrame:
    """Rows with the odds, the verdict, and how many sessions would settle it; NULL for context metrics."""
    rows = rows.sort(*LINE, "span", "look")
    change, degrees, matters = (rows[name].to_numpy() for name in ("y_change_now", "degrees", "matters"))
    variance = rows["variance"].to_numpy()
    p = odds(change, np.sqrt(variance), degrees, matters)
    same = rows.select(again=pl.struct(*LINE, "span").rle_id().diff().fill_null(1) == 0)["again"].to_numpy()
    before = Odds(*(np.where(same, np.roll(part, 1), np.nan) for part in p))
    better = {name: metric.better for name, metric in catalogue.items()}
    rows = rows.with_columns(better=pl.col("metric").replace_strict(better, return_dtype=pl.String))
    higher, sure = (rows["better"] == "higher").to_numpy(), rows["may_be_sure"].to_numpy()
    waiting = (SURE_SESSIONS - pl.col("n_after")).clip(0)
    more = rows.select(pl.max_horizontal(waiting, TREND_SESSIONS - 1 - pl.col("nth")))
    rules = Settling(matters, degrees, more.to_series().to_numpy())
    level, noise = rows["level_variance"].to_numpy(), rows["noise"].to_numpy()
    needed = sessions_needed(change, variance, rows["gain"].to_numpy(), level, noise, rules)
    judged = {
        "p_better": np.where(higher, p.up, p.down),
        "p_within": p.within,
        "p_worse": np.where(higher, p.down, p.up),
        "verdict": verdict(p, before, higher, sure),
        "needed": needed,
    }
    known = pl.col("better") != "context"
    rows = rows.with_columns(**{name: pl.when(known).then(pl.Series(v)) for name, v in judged.items()})
    settled = pl.col("verdict").is_in(("better", "worse", "no_clear_change"))
    return rows.with_columns(needed=pl.when(settled).then(0).otherwise("needed"))


def _with_chances(rows: pl.DataFrame) -> pl.DataFrame:
    """Rows with the chances that this look were a false call, in either direction, had nothing changed."""
    degrees, matters = rows["degrees"].to_numpy(), rows["matters"].to_numpy()
    sure = rows["may_be_sure"].to_numpy()
    now, before = (
        (np.sqrt(rows[f"{look}variance"].to_numpy()), np.sqrt(rows[f"{look}null_variance"].to_numpy()))
        for look in ("", "before_")
    )
    covariance = rows["null_covariance"].to_numpy()
    had_look = np.isfinite(before[0]) & (before[1] > 0)
    # The look before could not be sure where this one has just become so.
    had_sure = had_look & (rows["n_after"].to_numpy() > SURE_SESSIONS)
    standing = np.where(sure, 2 * false_call(*now, degrees, matters, SURE), 0.0)

    def twice(at: np.ndarray, p: float) -> Floats:
        chance = np.zeros(at.size)
        looks = ((now[0][at], now[1][at]), (before[0][at], before[1][at]))
        chance[at] = 2 * false_call_twice(*looks, covariance[at], degrees[at], matters[at], p)
        return chance

    stays, leans = twice(sure & had_sure, SURE), twice(had_look, LEANING)
    told = pl.col("verdict").is_not_null()
    chances = {
        "false_standing": standing,
        "false_new": np.maximum(standing - stays, 0.0),
        "false_leaning": np.maximum(leans - standing, 0.0),
    }
    return rows.with_columns(**{name: pl.when(told).then(pl.Series(v)) for name, v in chances.items()})


def _in_units(rows: pl.DataFrame, catalogue: Mapping[str, Metric]) -> pl.DataFrame:
    """Rows with everything in the metric's unit and in words."""
    half = half_width(np.sqrt(rows["variance"].to_numpy()), rows["degrees"].to_numpy())
    units = {name: metric.unit for name, metric in catalogue.items()}
    start, log = pl.col("from_value"), pl.col("log")

    def of(change: pl.Expr) -> pl.Expr:
        """A change on the analysis scale, in the unit, from the level it starts at."""
        return pl.when(log).then(start * (change.exp() - 1)).otherwise(change)

    def in_percent(change: pl.Expr) -> pl.Expr:
        return pl.when(log).then(100 * (change.exp() - 1))

    change = pl.col("y_change_now")
    ends = {"": change, "_low": change - pl.col("half"), "_high": change + pl.col("half")}
    rows = rows.with_columns(half=pl.Series(half)).with_columns(
        from_value=pl.when(log).then(pl.col("y_from").exp()).otherwise("y_from"),
        to_value=pl.when(log).then(pl.col("y_to").exp()).otherwise("y_to"),
    )
    rows = rows.with_columns(
        **{f"change{end}": of(at) for end, at in ends.items()},
        **{f"change_percent{end}": in_percent(at) for end, at in ends.items()},
        smallest_worthwhile=of(pl.col("matters")),
        unit=pl.col("metric").replace_strict(units, return_dtype=pl.String),
        as_of="week",
        sessions_needed=pl.when(pl.col("needed") >= 0).then("needed"),
        note=pl.when(pl.col("needed") < 0).then(pl.lit(_UNSETTLED)),
        odds=pl.when(pl.col("verdict").is_not_null()).then(plain_odds()),
    )
    up, down = pl.col("change_low") > 0, pl.col("change_high") < 0
    return rows.with_columns(
        direction=pl.when(up).then(pl.lit("up")).when(down).then(pl.lit("down")).otherwise(pl.lit("unclear"))
    )


def changes_table(followed: pl.DataFrame) -> pl.DataFrame:
    """The table `changes`."""
    return as_table(followed, "changes")


def expected_false_calls(followed: pl.DataFrame) -> pl.DataFrame:
    """The table `expected_false_calls`: of each week's looks the calls made, and those expected of nothing.

    A call is new where the look before, a week or longer ago, did not say the same.
    """
    told = followed.filter(pl.col("verdict").is_not_null()).sort(*LINE, "span", "look")
    word = pl.col("verdict")
    sure, leaning = word.is_in(("better", "worse")), word.is_in(("leaning_better", "leaning_worse"))
    new = sure & (word != word.shift(1).over(*LINE, "span")).fill_null(True)
    sums = (
        told.with_columns(new=new)
        .group_by("as_of", "span")
        .agg(
            n_changes=pl.len(),
            n_better=(word == "better").sum(),
            n_worse=(word == "worse").sum(),
            n_leaning=leaning.sum(),
            n_new=pl.col("new").sum(),
            **{f"expected_{name}": pl.col(name).sort().sum() for name in _CHANCES},
        )
    )
    return as_table(sums, "expected_false_calls")

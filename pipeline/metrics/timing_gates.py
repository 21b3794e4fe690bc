"""Timing gates: sprint times, speeds between gates, the sprint model, turns a side."""

from __future__ import annotations

from collections.abc import Callable

import polars as pl

from pipeline.metrics.rows import (
    by_occasion,
    codes_of,
    excluded,
    inputs_of,
    inputs_within,
    join_codes,
    thousandths,
    values_of,
    with_codes,
    with_series_keys,
)
from pipeline.metrics.sprint_model import fitted_sprints, sprint_profiles, sprint_values
from pipeline.metrics.witness import CODE, INTERVAL_SPEED, disagrees
from schemas.catalogue import CATALOGUE

FAMILY = "timing_gates"
TABLE = "sprint_splits"
FASTEST_M_S = 12.6
"""No interval is faster [m/s]; judgement from world extremes (methods, B3)."""
WIND_M_S = 2.0
"""From this wind on a run is flagged [m/s]: the limit of records (World Athletics, from memory). It is never
taken out of a short sprint (methods, failure 37)."""
_RUNS = ("linear_sprint", "flying_sprint")
_GOOD = ~pl.col("flags").str.contains("split_not_rising|interval_too_fast").fill_null(False)
DEFICIT_M = 10.0
"""A turn is compared with a straight run of this length (Nimphius 2013 and 2016, from memory)."""
_COURSE = ("course", "distance", "turn_angle", "approach", "side", "timing", "surface", "shoes")
_STRAIGHT = ("start", "start_offset", "timing", "surface", "shoes")


def flag(trials: pl.DataFrame) -> pl.DataFrame:
    """`sprint_splits` with the codes that a row and its run give.

    `witness_disagrees`: the device says another speed from the gate before.
    `split_not_rising`: the run's times do not rise, and the gate may be why (`_not_rising`).
    `interval_too_fast`: from the good gate before it (the first gate: from 0 m at 0 s) faster than
    `FASTEST_M_S`. `wind_strong`: over `WIND_M_S`, from wherever.
    """
    late = trials.with_columns(not_rising=pl.col("row_id").is_in(_not_rising(trials).implode()))
    fast = _too_fast(late.filter(~pl.col("not_rising")))
    own = {
        CODE: pl.col("row_id").is_in(_other_speed(trials).implode()),
        "split_not_rising": pl.col("not_rising"),
        "interval_too_fast": pl.col("row_id").is_in(fast.implode()),
        "start_offset_unknown": pl.col("start_offset_m").is_null(),
        "wind_strong": (pl.col("wind_m_s").abs() > WIND_M_S).fill_null(False),
        "side_unknown": (pl.col("test") == "change_of_direction") & pl.col("side").is_null(),
    }
    return with_codes(late, own).drop("not_rising")


def measure(trials: pl.DataFrame, masses: pl.DataFrame) -> pl.DataFrame:
    """Values of `sprint_splits` as `flag` returns them, long: times [s], speeds [m/s], the sprint model's.

    `masses`: session_id, body_mass_kg, body_mass_row_id, body_mass_provisional; only forces need them.
    """
    rows = with_series_keys(trials)
    deficits = _turn_deficits(_turns(rows), rows.filter(pl.col("test").is_in(_RUNS)))
    return pl.concat([_of_runs(rows, masses), deficits], how="diagonal")


def measure_trials(trials: pl.DataFrame, masses: pl.DataFrame) -> pl.DataFrame:
    """Of the values that `measure` returns those of single runs."""
    return _of_runs(with_series_keys(trials), masses)


def _of_runs(rows: pl.DataFrame, masses: pl.DataFrame) -> pl.DataFrame:
    runs = rows.filter(pl.col("test").is_in(_RUNS))
    steps = _intervals(runs.filter(_GOOD)).with_columns(from_distance=thousandths(pl.col("from_m"), "m"))
    parts = [
        values_of(runs, "sprint_time", pl.col("split_time_s")),
        _speeds(steps, "interval_speed"),
        _top_speeds(steps),
        sprint_values(_fitted(rows, masses)),
        values_of(_turns(rows), "change_of_direction_time", pl.col("split_time_s")),
    ]
    return pl.concat(parts, how="diagonal")


def profiles(trials: pl.DataFrame, masses: pl.DataFrame) -> pl.DataFrame:
    """The sprint model of every straight run, accepted or refused (see `fits.fits_of`)."""
    return sprint_profiles(_fitted(with_series_keys(trials), masses))


def _fitted(rows: pl.DataFrame, masses: pl.DataFrame) -> pl.DataFrame:
    straight = rows.filter(pl.col("test") == "linear_sprint").with_columns(good=_GOOD)
    return fitted_sprints(straight, masses)


def _speeds(steps: pl.DataFrame, metric: str) -> pl.DataFrame:
    two_rows = inputs_of([(TABLE, "from_row_id", "from"), (TABLE, "row_id", "to")])
    return values_of(
        steps,
        metric,
        pl.col("speed_m_s"),
        inputs=pl.when(pl.col("from_row_id").is_not_null()).then(two_rows),
        flags=join_codes(pl.col("flags"), pl.col("from_flags")),
    )


def _top_speeds(steps: pl.DataFrame) -> pl.DataFrame:
    """The speed of each run's fastest interval; not one that begins at a start from rest."""
    at_speed = steps.filter((pl.col("from_m") > 0) | (pl.col("test") == "flying_sprint"))
    length = thousandths(pl.col("distance_m") - pl.col("from_m"), "m")
    fastest = at_speed.sort("trial_id", "speed_m_s", "distance_m").group_by("trial_id", maintain_order=True)
    return _speeds(fastest.last().with_columns(interval=length), "top_speed")


def _turns(rows: pl.DataFrame) -> pl.DataFrame:
    """The last gate of every run with a turn."""
    last_gate = pl.col("distance_m") == pl.col("distance_m").max().over("trial_id")
    return rows.filter((pl.col("test") == "change_of_direction") & last_gate)


def _turn_deficits(turns: pl.DataFrame, runs: pl.DataFrame) -> pl.DataFrame:
    """What a turn costs beside a straight run of its length in the same session: means, course by course.

    Only for 10 m of a known course, angle and approach, against 10 m from rest on the same device and
    surface; the start and its distance from the gate are those of the straight run.
    """
    ten = pl.col("distance") == f"{DEFICIT_M:g} m"
    told = pl.all_horizontal(pl.col("course", "turn_angle", "approach").is_not_null())
    counts = ~excluded(pl.col("flags"))
    means = {
        "time_s": pl.col("split_time_s").sort().mean(),
        "flags": codes_of(pl.col("flags")),
    }
    turned = by_occasion(
        turns.filter(ten & told & counts), _COURSE, **means, inputs=inputs_within(TABLE, pl.lit("turn"))
    )
    straight = by_occasion(
        runs.filter(ten & counts & (pl.col("test") == "linear_sprint")),
        _STRAIGHT,
        **means,
        inputs=inputs_within(TABLE, pl.lit("straight")),
    )
    same = ["session_id", "device", "method_version", "timing", "surface", "shoes"]
    both = turned.join(
        straight.select(
            *same, "start", "start_offset", *(pl.col(n).name.suffix("_straight") for n in (*means, "inputs"))
        ),
        on=same,
        how="inner",
        nulls_equal=True,
    )
    name = pl.concat_str("row_id", pl.col("start", "start_offset").fill_null(""), separator="\x1f")
    return values_of(
        both.with_columns(row_id=name),
        "change_of_direction_deficit",
        pl.col("time_s") - pl.col("time_s_straight"),
        inputs=pl.concat_list("inputs", "inputs_straight"),
        flags=join_codes(pl.col("flags"), pl.col("flags_straight")),
    )


def _intervals(gates: pl.DataFrame) -> pl.DataFrame:
    """Each gate with the gate before it in its run (the first: 0 m at 0 s) and the mean speed between."""

    def before(column: str) -> pl.Expr:
        return pl.col(column).shift(1).over("trial_id", order_by="distance_m")

    return gates.with_columns(
        from_m=before("distance_m").fill_null(0.0),
        from_s=before("split_time_s").fill_null(0.0),
        from_row_id=before("row_id"),
        from_flags=before("flags"),
    ).with_columns(
        speed_m_s=(pl.col("distance_m") - pl.col("from_m")) / (pl.col("split_time_s") - pl.col("from_s"))
    )


def _other_speed(gates: pl.DataFrame) -> pl.Series:
    """Ids of the gates whose device says another speed from the gate before than the times do."""
    told = pl.col("witness_interval_speed_m_s")
    runs = gates.filter(told.is_not_null().any().over("trial_id"))
    return _intervals(runs).filter(disagrees(told, pl.col("speed_m_s"), INTERVAL_SPEED))["row_id"]


def _not_rising(gates: pl.DataFrame) -> pl.Series:
    """Ids of the gates that may be why the times of their run do not rise from gate to gate.

    Two times in the wrong order do not say which of them is wrong.
    """
    timed = gates.filter(pl.col("split_time_s").is_not_null()).sort("trial_id", "distance_m")
    falls = (pl.col("split_time_s") <= pl.col("split_time_s").shift(1)).any().over("trial_id")
    runs = timed.filter(falls).group_by("trial_id", maintain_order=True)
    columns = ("row_id", "test", "distance_m", "split_time_s")
    found: list[str] = []
    for row_ids, tests, metres, times in runs.agg(columns).select(columns).iter_rows():
        sure = _in_all_longest(tests[0], metres, times)
        found += [row_id for at, row_id in enumerate(row_ids) if at not in sure]
    return pl.Series(found, dtype=pl.String)


def _in_all_longest(test: str, metres: list[float], times: list[float]) -> set[int]:
    """The gates that stand in each longest choice of a run's gates whose times [s] rise with distance [m].

    Where some of the longest choices have only times and speeds that are possible, those alone count.
    """
    own = [_possible_time(test, *gate) for gate in zip(metres, times, strict=True)]

    def rises(a: int, b: int) -> bool:
        return times[b] > times[a]

    def runs(a: int, b: int) -> bool:
        return (
            rises(a, b) and own[a] and own[b] and _possible_step(metres[b] - metres[a], times[b] - times[a])
        )

    longest, sure = _on_all_longest(len(times), rises)
    possible, likely = _on_all_longest(len(times), runs)
    return likely if possible == longest else sure


def _on_all_longest(n: int, follows: Callable[[int, int], bool]) -> tuple[int, set[int]]:
    """The length of the longest chains of 0 to n - 1, in order, and what stands in every one of them."""
    upto, onward = [1] * n, [1] * n
    for b in range(n):
        upto[b] = 1 + max((upto[a] for a in range(b) if follows(a, b)), default=0)
    for a in reversed(range(n)):
        onward[a] = 1 + max((onward[b] for b in range(a + 1, n) if follows(a, b)), default=0)
    longest = max(upto)
    places = [upto[at] if upto[at] + onward[at] - 1 == longest else 0 for at in range(n)]
    return longest, {at for at, place in enumerate(places) if place and places.count(place) == 1}


def _possible_time(test: str, distance_m: float, time_s: float) -> bool:
    """Whether a gate's time [s] is within the catalogue's limits for it, and none too fast from 0 m on."""
    metric = CATALOGUE["sprint_time"]
    keys = {"distance": f"{distance_m:g} m", "test": test}
    special = (one.hard for one in metric.limits if all(keys.get(k) == v for k, v in one.when.items()))
    low, high = next(special, metric.hard)
    return low <= time_s <= high and _possible_step(distance_m, time_s)


def _possible_step(metres: float, seconds: float) -> bool:
    return metres <= FASTEST_M_S * seconds


def _too_fast(gates: pl.DataFrame) -> pl.Series:
    """Ids of the gates reached faster than possible from the last good gate before them.

    A gate taken out joins its two intervals, which may be too fast again: repeated until none is.
    """
    found = gates["row_id"].clear()
    while True:
        fast = _intervals(gates).filter(pl.col("speed_m_s") > FASTEST_M_S)["row_id"]
        if fast.is_empty():
            return found
        found = pl.concat([found, fast])
        gates = gates.filter(~pl.col("row_id").is_in(fast.implode()))

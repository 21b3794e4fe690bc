"""Sprints and turns: times, intervals, and gates that can't be right."""

from itertools import pairwise

import polars as pl
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from pipeline.metrics.timing_gates import FASTEST_M_S, flag, measure
from schemas.catalogue import CATALOGUE
from tests.metrics.trial_rows import run, sessions_of, trial_rows

TABLE = "sprint_splits"


def values(*runs: list[dict[str, object]]) -> pl.DataFrame:
    trials = trial_rows(TABLE, *(gate for gates in runs for gate in gates))
    return measure(flag(trials), sessions_of(trials))


def intervals(frame: pl.DataFrame) -> list[tuple[str, str, float]]:
    speeds = frame.filter(pl.col("metric") == "interval_speed").sort("distance_m_order")
    return list(speeds.select("from_distance", "distance", pl.col("value").round(4)).iter_rows())


def by_distance(*runs: list[dict[str, object]]) -> pl.DataFrame:
    metres = pl.col("distance").str.strip_suffix(" m").cast(pl.Float64)
    return values(*runs).with_columns(distance_m_order=metres)


def flags_of(*gates: tuple[float, float]) -> dict[float, str | None]:
    flagged = flag(trial_rows(TABLE, *run(*gates)))
    return dict(flagged.select("distance_m", "flags").iter_rows())


# Split times [s] of the 100 m world record of 2009, from the gun, every 10 m, +-0.01 s
# (Graubner & Nixdorf 2011, report on the championships' biomechanics, seen in secondary copies).
RECORD = (1.89, 2.88, 3.78, 4.64, 5.47, 6.29, 7.10, 7.92, 8.75, 9.58)


def test_times_and_speeds_of_the_fastest_run() -> None:
    gates = [(10.0 * (n + 1), time_s) for n, time_s in enumerate(RECORD)]
    frame = by_distance(run(*gates))
    times = frame.filter(pl.col("metric") == "sprint_time").sort("distance_m_order")
    assert times["value"].to_list() == list(RECORD)
    speeds = intervals(frame)
    assert speeds[0] == ("0 m", "10 m", round(10 / 1.89, 4))
    # Its fastest 10 m take 0.81 s, from 60 to 70 m: 12.35 m/s, under the limit that flags a gate.
    assert max(speeds, key=lambda speed: speed[2]) == ("60 m", "70 m", round(10 / 0.81, 4))
    assert frame["flags"].null_count() == frame.height


def test_two_rows_feed_an_interval_and_one_the_first() -> None:
    frame = by_distance(run((5, 1.1), (10, 1.85))).filter(pl.col("metric") == "interval_speed")
    first, second = frame.sort("distance_m_order")["inputs"].to_list()
    assert first is None
    assert [(part["row_id"], part["role"]) for part in second] == [("run-5", "from"), ("run-10", "to")]


@pytest.mark.mode(35)
def test_a_split_that_does_not_rise_flags_the_later_gate() -> None:
    assert flags_of((5, 1.1), (10, 1.9), (20, 1.9), (30, 4.3)) == {
        5: None,
        10: None,
        20: "split_not_rising",
        30: None,
    }


@pytest.mark.mode(35)
def test_a_late_time_is_the_one_gate_left_out() -> None:
    assert flags_of((5, 1.1), (10, 3.0), (15, 2.5), (20, 3.1), (30, 5.0)) == {
        5: None,
        10: "split_not_rising",
        15: None,
        20: None,
        30: None,
    }


@pytest.mark.mode(35)
def test_two_gates_that_are_mixed_up_are_both_left_out() -> None:
    # 5 and 10 m under each other's names: without one of them, the other is still impossible.
    gates = ((5, 1.97), (10, 1.15), (15, 2.71), (20, 3.43), (30, 4.84))
    assert flags_of(*gates) == {
        5: "split_not_rising",
        10: "split_not_rising",
        15: None,
        20: None,
        30: None,
    }
    speeds = intervals(by_distance(run(*gates)))
    assert speeds[0] == ("0 m", "15 m", round(15 / 2.71, 4))


def test_which_of_two_gates_is_wrong_is_not_guessed() -> None:
    # Either time may be right, and both runs are possible.
    doubtful = {40: "split_not_rising", 60: "split_not_rising"}
    assert flags_of((10, 2.0), (40, 6.2), (60, 6.1), (100, 14.0)) == {10: None, **doubtful, 100: None}


def test_times_of_which_no_two_rise_are_all_left_out() -> None:
    assert set(flags_of((5, 2.0), (10, 2.0), (20, 2.0)).values()) == {"split_not_rising"}


@given(
    st.lists(st.floats(0.1, 9.0), min_size=1, max_size=6),
    st.sampled_from(["linear_sprint", "flying_sprint"]),
)
def test_gates_that_are_kept_rise_and_rising_times_are_all_kept(times: list[float], test: str) -> None:
    gates = [(5.0 * (n + 1), time_s) for n, time_s in enumerate(times)]
    flagged = flag(trial_rows(TABLE, *run(*gates, test=test))).sort("distance_m")
    doubted = flagged["flags"].str.contains("split_not_rising").fill_null(False)
    kept = flagged.filter(~doubted)["split_time_s"].to_list()
    assert all(a < b for a, b in pairwise(kept))
    assert doubted.any() == (not all(a < b for a, b in pairwise(times)))


def test_intervals_go_past_a_bad_gate() -> None:
    frame = by_distance(run((5, 1.1), (10, 1.9), (20, 1.7), (30, 4.3)))
    assert [pair[:2] for pair in intervals(frame)] == [("0 m", "5 m"), ("5 m", "10 m"), ("10 m", "30 m")]
    bad = frame.filter((pl.col("metric") == "sprint_time") & (pl.col("distance") == "20 m"))
    assert bad["flags"].to_list() == ["split_not_rising"]


@pytest.mark.mode(35)
def test_an_interval_too_fast_flags_the_later_gate() -> None:
    # 10 m in 0.7 s is 14.3 m/s; past the gate, 20 m in 2.4 s.
    gates = ((5, 1.1), (10, 1.9), (20, 2.6), (30, 4.3))
    assert flags_of(*gates) == {5: None, 10: None, 20: "interval_too_fast", 30: None}
    assert intervals(by_distance(run(*gates)))[-1] == ("10 m", "30 m", round(20 / 2.4, 4))


@pytest.mark.mode(34)
def test_the_first_interval_can_be_too_fast() -> None:
    assert flags_of((10, 0.5), (20, 3.0)) == {10: "interval_too_fast", 20: None}


def test_a_gate_joined_to_an_earlier_one_can_be_too_fast_again() -> None:
    # 10-20 m at 20 m/s; then 10-25 m in 1.1 s is 13.6 m/s, though 20-25 m in 0.6 s is not.
    assert flags_of((10, 1.9), (20, 2.4), (25, 3.0), (40, 5.0)) == {
        10: None,
        20: "interval_too_fast",
        25: "interval_too_fast",
        40: None,
    }


def test_the_limit_is_the_catalogues() -> None:
    assert CATALOGUE["interval_speed"].hard[1] == FASTEST_M_S


@settings(deadline=None)
@given(
    st.lists(
        st.tuples(st.floats(min_value=0.5, max_value=20.0), st.floats(min_value=-1.0, max_value=4.0)),
        min_size=1,
        max_size=8,
    )
)
def test_good_gates_rise_and_are_never_too_fast(steps: list[tuple[float, float]]) -> None:
    distance, time, gates = 0.0, 1.0, []
    for metres, seconds in steps:
        distance, time = distance + metres, max(time + seconds, 0.1)  # a lower time holds its line
        gates.append((distance, time))
    good = [(d, t) for d, t in gates if flags_of(*gates)[d] is None]
    for (d1, t1), (d2, t2) in zip([(0.0, 0.0), *good], good, strict=False):
        assert t2 > t1
        assert (d2 - d1) / (t2 - t1) <= FASTEST_M_S


def test_runs_are_kept_apart() -> None:
    frame = by_distance(run((10, 1.9), (20, 3.2), name="a"), run((10, 1.8), (20, 3.0), name="b"))
    speeds = frame.filter((pl.col("metric") == "interval_speed") & (pl.col("from_distance") == "10 m"))
    assert sorted(speeds["value"].round(4)) == [round(10 / 1.3, 4), round(10 / 1.2, 4)]


def test_a_turn_is_timed_at_its_last_gate_and_by_side() -> None:
    turn = {"test": "change_of_direction", "course": "half turn", "turn_angle_deg": 180.0}
    frame = values(
        run((5, 1.1), (10, 2.4), name="l", side="left", **turn),
        run((5, 1.0), (10, 2.5), name="r", side="right", **turn),
    )
    assert set(frame["metric"]) == {"change_of_direction_time"}
    times = frame.sort("side").select("side", "distance", "turn_angle", "value", "flags")
    assert list(times.iter_rows()) == [
        ("left", "10 m", "180 deg", 2.4, None),
        ("right", "10 m", "180 deg", 2.5, None),
    ]


@pytest.mark.mode(33, 38)
def test_what_is_not_known_is_flagged() -> None:
    frame = values(run((10, 2.4), test="change_of_direction", start_offset_m=None))
    assert frame["flags"].to_list() == ["side_unknown;start_offset_unknown"]


@pytest.mark.mode(37)
@pytest.mark.parametrize(("wind", "told"), [(2.1, True), (-2.1, True), (2.0, False), (None, False)])
def test_a_strong_wind_is_told(wind: float | None, told: bool) -> None:
    frame = values(run((10, 1.9), wind_m_s=wind))
    assert set(frame["flags"]) == {"wind_strong" if told else None}


@pytest.mark.parametrize("code", ["failed", "warm_up"])
def test_the_mark_of_one_gate_is_on_the_interval_to_the_next(code: str) -> None:
    gates = run((10, 1.9), (20, 3.2))
    gates[0]["mark"] = code
    speeds = values(gates).filter(pl.col("metric") == "interval_speed")
    assert speeds["flags"].to_list() == [code, code]


@settings(deadline=None)
@given(st.floats(min_value=0.8, max_value=1.3))
def test_a_run_measured_in_yards_is_the_same_run(pace: float) -> None:
    # The international yard is 0.9144 m exactly (1959 agreement): 10 yd = 9.144 m, 20 yd = 18.288 m.
    yards = by_distance(run((10 * 0.9144, 2 * pace), (20 * 0.9144, 3.5 * pace)))
    metres = by_distance(run((9.144, 2 * pace), (18.288, 3.5 * pace)))
    assert intervals(yards) == intervals(metres)
    assert intervals(metres)[1][:2] == ("9.144 m", "18.288 m")

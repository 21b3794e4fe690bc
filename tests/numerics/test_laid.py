"""All traces at once: the same as one after the other, whatever lies beside a trace."""

from __future__ import annotations

from itertools import pairwise

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from pipeline.numerics.fastest import fastest_stretch, fastest_window
from pipeline.numerics.laid import LONGEST, PORTION, Floats, Ints, lay, portions
from pipeline.numerics.smoothing import mean_between, mean_force, peak_force, smooth
from pipeline.numerics.traces import (
    first_reached,
    first_speed,
    section_speeds,
    start_of_movement,
)
from tests.numerics import plain_runs


def made(seed: int, traces: int) -> tuple[Ints, Floats, Floats, Floats]:
    """Offsets, times, places and forces of runs of all kinds: even and uneven clocks, holes, short ones."""
    rng = np.random.default_rng(seed)
    runs = []
    for number in range(traces):
        hz, start = rng.choice([50, 100, 200, 333]), rng.uniform(0, 2)
        n = 1 if number % 9 == 8 else int(hz * rng.uniform(0.05, 6))
        time = np.arange(n) / hz
        if number % 3 == 1:
            time = np.sort(rng.choice(time, max(1, int(n * 0.8)), replace=False))
        if number % 3 == 2:
            time = np.round(time, 3)
        since = np.maximum(time - start, 0.0)
        place = rng.uniform(4, 9) * (since + np.expm1(-since)) + rng.normal(0, 0.003, time.size)
        runs.append((time + rng.uniform(-50, 50), place, 60 + rng.normal(0, 20, time.size)))
    offsets = np.concatenate([[0], np.cumsum([time.size for time, *_ in runs])])
    time, place, force = (np.concatenate(column) for column in zip(*runs, strict=True))
    return offsets, time, place, force


def measured(offsets: Ints, time: Floats, place: Floats, force: Floats) -> dict[str, Floats]:
    clock = lay(time, offsets)
    way, passed = first_reached(clock, place)
    span, start = fastest_stretch(way, passed), start_of_movement(clock, place)
    return {
        "begin": span[0],
        "end": span[1],
        "fastest": fastest_window(clock, place)[0],
        "start_s": start[0],
        "start_m": start[1],
        "first": first_speed(clock, place),
        "sections": section_speeds(way, passed, *start),
        "peak": peak_force(clock, force),
        "mean": mean_force(clock, force),
        "between": mean_between(clock, force, *span),
        "smooth": smooth(clock, force, 0.1),
    }


@settings(deadline=None, max_examples=20)
@given(st.integers(0, 2**32 - 1))
def test_all_at_once_come_to_the_same_as_one_after_the_other(seed: int) -> None:
    offsets, *columns = made(seed, 12)
    found = measured(offsets, *columns)
    for number, (a, b) in enumerate(pairwise(offsets)):
        time, place, force = (column[a:b] for column in columns)
        span, start = plain_runs.stretch_span(time, place), plain_runs.start_of_movement(time, place)
        wanted = {
            "end - begin": span[1] - span[0],
            "fastest": plain_runs.fastest_window(time, place)[0],
            "start_s": start[0],
            "start_m": start[1],
            "first": plain_runs.first_speed(time, place),
            "peak": plain_runs.peak_force(time, force),
            "mean": plain_runs.mean_force(time, force),
            "between": plain_runs.mean_between(time, force, *span),
        }
        own = {name: values[number] for name, values in found.items() if name not in ("sections", "smooth")}
        own["end - begin"] = own["end"] - own["begin"]
        assert {name: own[name] for name in wanted} == pytest.approx(wanted, rel=1e-9, abs=1e-9, nan_ok=True)
        speeds = plain_runs.section_speeds(time, place, *start)
        np.testing.assert_allclose(found["sections"][number, : speeds.size], speeds, rtol=1e-9)
        assert np.isnan(found["sections"][number, speeds.size :]).all()
        np.testing.assert_allclose(found["smooth"][a:b], plain_runs.smooth(time, force, 0.1), rtol=1e-9)


@settings(deadline=None, max_examples=20)
@given(st.integers(0, 2**32 - 1))
def test_what_lies_beside_a_trace_changes_no_digit(seed: int) -> None:
    offsets, *columns = made(seed, 9)
    together = measured(offsets, *columns)
    for number, (a, b) in enumerate(pairwise(offsets)):
        alone = measured(np.array([0, b - a]), *(column[a:b] for column in columns))
        for name, values in alone.items():
            beside = together[name][a:b] if name == "smooth" else together[name][number : number + 1]
            np.testing.assert_array_equal(beside[..., : values.shape[-1]], values)


def test_no_traces_give_no_numbers() -> None:
    nothing = np.zeros(0)
    assert all(values.shape[0] == 0 for values in measured(np.array([0]), nothing, nothing, nothing).values())


@pytest.mark.parametrize("hole", [0, 20, 50])
def test_a_hole_in_the_force_of_a_trace_is_its_own_alone(hole: int) -> None:
    time, force = np.tile(np.arange(51) / 50, 3), np.full(153, 50.0)
    force[51 + hole] = np.nan
    clock = lay(time, np.array([0, 51, 102, 153]))
    for measure in (mean_force, peak_force):
        np.testing.assert_allclose(measure(clock, force), [50.0, np.nan, 50.0])


def test_a_mean_force_is_that_of_its_span_whatever_is_missing_outside() -> None:
    time, force = np.arange(51) / 50, np.full(51, 50.0)
    force[[5, 40]] = np.nan
    clock = lay(time, np.array([0, 51]))

    assert mean_between(clock, force, np.array([0.2]), np.array([0.7])) == pytest.approx([50.0])
    assert np.isnan(mean_between(clock, force, np.array([0.05]), np.array([0.7]))).all()


def test_portions_hold_whole_traces_and_no_more_than_keeps_every_digit() -> None:
    sizes = np.array([10, PORTION, 5, 5, PORTION // 2, PORTION // 2, 7, 7])
    offsets = np.concatenate([[0], np.cumsum(sizes)])
    at = np.arange(offsets[-1]) % 7 * 1.0
    at[-7:] = 0.75 * LONGEST
    at[-14] = -0.75 * LONGEST
    found = portions(offsets, at)
    assert [a for a, _ in found] + [8] == [0] + [b for _, b in found]
    axes = [lay(at[offsets[a] : offsets[b]], offsets[a : b + 1] - offsets[a]).axis for a, b in found]
    assert all(axis[0] >= 0 and axis.max() < 4 * LONGEST for axis in axes)
    assert all(offsets[b] - offsets[a] < 2 * PORTION for a, b in found)
    assert portions(np.array([0]), np.zeros(0)) == [(0, 0)]

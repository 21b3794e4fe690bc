"""What a rough look leaves out is not what is looked for: all windows looked at closely come to the same."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from pipeline.numerics import fastest, smoothing
from pipeline.numerics.laid import Floats, Ints, Laid, lay, length_on_grid
from pipeline.numerics.sprint import distance_at
from pipeline.numerics.traces import first_reached
from pipeline.numerics.windows import windows

seeds = st.integers(0, 2**32 - 1)


def spoiled(seed: int, traces: int = 16) -> tuple[Ints, Floats, Floats, Floats]:
    """Offsets, times, places and forces: one rate or several; lost samples, gaps, clocks written to a
    millisecond, that tremble, or that stand; who stands, walks back, or begins at speed; holes."""
    rng = np.random.default_rng(seed)
    rates = rng.choice([50, 100, 240, 500], 1 + seed % 2)
    runs = []
    for _ in range(traces):
        hz = rng.choice(rates)
        time = np.arange(max(1, int(hz * rng.uniform(0.0, 6.0)))) / hz
        match rng.integers(7):
            case 1:
                time = time[np.append(True, rng.random(time.size - 1) > 0.2)]
            case 2:
                time = time[(time < 0.7) | (time > rng.uniform(0.7, 1.2))]
            case 3:
                time = np.round(time, 3)
            case 4:
                time = time + rng.uniform(0.0, 5e-6, time.size)
            case 5:
                time = np.round(time, 2)
        place = distance_at(np.maximum(time - rng.uniform(-1.5, 2.0), 0.0), rng.uniform(0.5, 9.0), 1.1)
        place = place * rng.choice([0, 1, 1, 1, -1]) + rng.normal(0, rng.choice([0.0, 0.003]), time.size)
        force = 60 + rng.choice([0.0, 5.0, 60.0]) * rng.normal(0, 1, time.size)
        if rng.random() < 0.1:
            force[rng.integers(time.size)] = np.nan
        runs.append((time, place, force))
    offsets = np.concatenate([[0], np.cumsum([time.size for time, *_ in runs])])
    time, place, force = (np.concatenate(column) for column in zip(*runs, strict=True))
    return offsets, time, place, force


def all_of(laid: Laid, *_: object) -> tuple[Ints, Ints]:
    return np.arange(laid.axis.size), np.arange(laid.axis.size)


def measured(offsets: Ints, time: Floats, place: Floats, force: Floats) -> tuple[Floats, ...]:
    clock = lay(time, offsets)
    stretch = fastest.fastest_stretch(*first_reached(clock, place))
    return *stretch, *fastest.fastest_window(clock, place), smoothing.peak_force(clock, force)


@settings(deadline=None, max_examples=60)
@given(seeds)
def test_looking_closely_at_all_changes_no_digit(seed: int) -> None:
    samples = spoiled(seed)
    found = measured(*samples)
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(fastest, "_quick", all_of)
        patch.setattr(fastest, "_steep", all_of)
        patch.setattr(smoothing, "_forceful", all_of)
        wanted = measured(*samples)
    for one, other in zip(found, wanted, strict=True):
        np.testing.assert_array_equal(one, other)


@pytest.mark.parametrize("hz", [50, 100, 200, 500, 1000])
def test_of_even_steps_few_are_looked_at_closely(hz: int) -> None:
    """Or else it is as slow as looking at all: 20 runs of 5 s, one of them with a gap."""
    rng = np.random.default_rng(hz)
    time = np.tile(np.arange(5 * hz) / hz, 20)
    time[2 * hz : 5 * hz] += 0.1
    place = distance_at(time, 7.0, 1.1) + rng.normal(0, 0.002, time.size)
    force = 60 + rng.normal(0, 2.0, time.size)
    clock = lay(time, np.arange(21) * 5 * hz)
    width = length_on_grid(smoothing.PEAK_SECONDS)
    running = clock.accumulate(np.add, smoothing.trapezoids(clock, force)[:-1])
    few = (
        *fastest._steep(clock, place, fastest.WINDOW_S),
        *smoothing._forceful(clock, force, running, width),
    )
    assert all(samples.size < 0.04 * time.size for samples in few)
    way, passed = first_reached(clock, place)
    some = fastest._quick(way, passed, fastest.STRETCH_M)
    assert all(samples.size < 0.4 * way.axis.size for samples in some)


def test_windows_of_another_rate_are_all_looked_at() -> None:
    """As long as most have them, and no window of a trace goes on into the next."""
    time = np.concatenate([np.arange(100) / 50, np.arange(100) / 50, np.arange(100) / 100])
    tried = windows(lay(time, np.array([0, 100, 200, 300])), length_on_grid(0.5))
    assert tried.long == 25
    np.testing.assert_array_equal(tried.missed, [False, False, True])
    np.testing.assert_array_equal(np.flatnonzero(tried.even), np.r_[0:75, 100:175])
    assert not tried.uneven.any()
    begins, ends = tried.worth_a_look(tried.change(time), tried.change(time), np.zeros(3))
    assert set(range(200, 300)) <= set(begins) & set(ends)


def test_a_window_over_a_gap_is_not_even() -> None:
    time = np.delete(np.arange(200) / 50, 100)
    tried = windows(lay(time, np.array([0, 199])), length_on_grid(0.5))
    np.testing.assert_array_equal(np.flatnonzero(tried.uneven), np.arange(75, 100))
    assert not tried.missed.any()

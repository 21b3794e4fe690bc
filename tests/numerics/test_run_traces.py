"""Made runs with known answers, under noise, lost samples and drift: how far off each quantity comes out.

What they are stands in DEVELOPERS.md; the limits leave some room.
"""

from __future__ import annotations

import re
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from pipeline.numerics.laid import Floats
from tests.numerics.one_run import (
    fastest_stretch,
    fastest_window,
    first_speed,
    section_speeds,
    start_of_movement,
    stretch_span,
)
from tests.numerics.trace_errors import RUN_SPOILS, Spoiled, made_runs, rms, run_errors, table

DEVELOPERS = (Path(__file__).parents[2] / "DEVELOPERS.md").read_text(encoding="utf-8")
FINE = RUN_SPOILS["2 mm, 2 N"]


def a_run(spoiled: Spoiled, seed: int) -> tuple[Floats, Floats, float]:
    """Time, position, and when it begins."""
    run = made_runs(spoiled, seed, runs=1)
    return run.time, run.place, float(run.truth[0, 0])


# Root mean square errors, in the order and units of `RUN_QUANTITIES`; what they are stands in DEVELOPERS.md.
LIMITS = {
    "clean": (4.0, 0.01, 0.01, 0.2, 0.01, 0.15, 0.8, 0.02, 0.01),
    "2 mm, 2 N": (5.0, 0.08, 0.15, 0.3, 0.08, 0.2, 1.0, 2.0, 0.3),
    "1 cm, 5 N, 100 Hz": (12.0, 0.6, 1.2, 0.8, 0.4, 0.4, 2.2, 4.0, 0.5),
    "a fifth lost": (6.0, 0.08, 0.15, 0.3, 0.08, 0.2, 1.2, 2.0, 0.3),
    "0.2 s missing": (20.0, 0.1, 0.2, 1.3, 0.1, 0.8, 4.0, 2.0, 0.3),
    "drift 2 cm/s": (20.0, 0.08, 0.15, 1.0, 0.08, 0.5, 3.0, 2.0, 0.3),
}


@pytest.mark.parametrize("name", RUN_SPOILS)
def test_quantities_come_out_within_their_limits(name: str) -> None:
    found = {quantity: rms(errors) for quantity, errors in run_errors(RUN_SPOILS[name]).items()}
    assert all(found[quantity] < limit for quantity, limit in zip(found, LIMITS[name], strict=True)), found


def test_the_errors_are_published() -> None:
    """Both tables in DEVELOPERS.md, to a tenth: another numpy does not give the same to the last digit."""
    made = table()
    shown = re.search(r"<!-- errors of traces:.*?-->\n(.*?)\n<!-- /errors -->", DEVELOPERS, re.DOTALL)
    assert shown is not None, f"put this between the marks:\n{made}"
    number = re.compile(r"\d+\.\d\d")
    assert number.sub("#", shown[1]) == number.sub("#", made), f"put this between the marks:\n{made}"
    assert [float(one) for one in number.findall(shown[1])] == pytest.approx(
        [float(one) for one in number.findall(made)], rel=0.1, abs=0.011
    ), f"put this between the marks:\n{made}"


@settings(deadline=None)
@given(st.floats(-100, 100), st.integers(0, 2**32 - 1))
def test_a_shift_of_the_clock_or_of_the_place_shifts_the_start_alone(shift: float, seed: int) -> None:
    time, place, _ = a_run(FINE, seed)
    begin_s, begin_m = start_of_movement(time, place)
    later = start_of_movement(time + shift, place - shift)
    assert later[0] == pytest.approx(begin_s + shift, abs=1e-6)
    assert later[1] == pytest.approx(begin_m - shift, abs=1e-6)
    sections = section_speeds(time, place, begin_s, begin_m)
    np.testing.assert_allclose(section_speeds(time + shift, place - shift, *later), sections, rtol=1e-6)
    assert fastest_window(time + shift, place)[0] == pytest.approx(fastest_window(time, place)[0], rel=1e-6)


@settings(deadline=None)
@given(st.floats(0.1, 10.0), st.integers(0, 2**32 - 1))
def test_another_unit_of_time_scales_speeds(seconds: float, seed: int) -> None:
    time, place, _ = a_run(RUN_SPOILS["clean"], seed)
    fastest = fastest_stretch(time, place)
    assert fastest_stretch(time * seconds, place) * seconds == pytest.approx(fastest, rel=1e-9)


def test_a_run_already_under_way_is_seen_by_its_first_speed() -> None:
    for seed in range(200):
        time, place, start = a_run(FINE, seed)
        assert first_speed(time, place) < 1.0
        cut = time > start + 0.35
        assert first_speed(time[cut], place[cut]) > 1.0


def test_a_run_of_two_metres_has_no_start() -> None:
    time = np.arange(100) / 50
    assert np.isnan(start_of_movement(time, time)[0])
    assert section_speeds(time, time, float("nan"), 0.0).size == 0


def test_the_span_is_that_of_the_fastest_stretch() -> None:
    # 2 m/s for 5 s, 8 m/s for 1 s, 2 m/s: the best 5 m lie within the 8 m.
    time, place = np.array([0.0, 5.0, 6.0, 11.0]), np.array([0.0, 10.0, 18.0, 28.0])
    begin, end = stretch_span(time, place)
    assert end - begin == pytest.approx(5 / 8)
    assert 5.0 <= begin < end <= 6.0


def test_the_window_is_found_inside_the_run() -> None:
    time, place = np.array([0.0, 5.0, 6.0, 11.0]), np.array([0.0, 10.0, 18.0, 28.0])
    fastest, until = fastest_window(time, place)
    assert fastest == pytest.approx(8.0)
    assert 5.5 <= until <= 6.0
    assert np.isnan(fastest_window(time[:1], place[:1])[0])


def test_sections_end_with_the_last_full_one() -> None:
    time = np.arange(201) / 50
    place = 4.0 * time  # 16 m in 4 s
    np.testing.assert_allclose(section_speeds(time, place, 0.0, 0.0), [4.0, 4.0, 4.0])
    np.testing.assert_allclose(section_speeds(time, place - 3.0, 0.0, -3.0), [4.0, 4.0, 4.0])

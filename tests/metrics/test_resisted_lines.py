"""Lines over the loads of an occasion: loads for a loss of velocity, F0 and V0, and what is refused."""

from __future__ import annotations

from typing import Any

import numpy as np
import polars as pl
import pytest

from pipeline.metrics.resisted_lines import load_lines
from pipeline.metrics.resisted_sprint import flag, measure, profiles
from pipeline.metrics.rows import with_series_keys
from tests.metrics.trial_rows import sessions_of, trace_of_sprint, trial_rows

TABLE = "resisted_runs"


def points(
    loads: list[float], speeds: list[float], basis: str = "resistance_n", reached: bool = True, **fields: Any
) -> pl.DataFrame:
    """Runs as `load_lines` takes them, with these plateau velocities [m/s]; force is not measured."""
    rows = [
        {"trial": i, "pull": "resisted", "surface": "track", basis: load, **fields}
        for i, load in enumerate(loads)
    ]
    return with_series_keys(trial_rows(TABLE, *rows)).with_columns(
        plateau=pl.Series(speeds), plateau_force=pl.lit(None, pl.Float64), reached=pl.lit(reached)
    )


def line(runs: pl.DataFrame, kg: float | None = 80.0) -> dict[str, Any]:
    return load_lines(runs, sessions_of(runs, kg=kg)).row(0, named=True)


VECTOR = points([0.0, 10.0, 20.0, 30.0], [8.1, 6.9, 5.8, 4.6])


def test_the_worked_line() -> None:
    """methods/vectors: a 8.090, b 0.1160; 10 % at 6.974, 50 % at 34.871, which lies beyond the heaviest."""
    found = line(VECTOR)
    assert found["why_not"] is None
    assert found["v0"] == pytest.approx(8.090, abs=5e-4)
    assert found["slope"] == pytest.approx(-0.1160, abs=5e-5)
    assert found["load_10"] == pytest.approx(6.974, abs=5e-4)
    assert found["load_50"] is None
    assert found["load_10_low"] < found["load_10"] < found["load_10_high"]


def test_a_load_within_those_that_were_run_is_given() -> None:
    found = line(points([0.0, 20.0, 40.0], [8.0, 6.0, 4.0]))
    assert found["load_25"] == pytest.approx(20.0)
    assert found["load_50"] == pytest.approx(40.0)


@pytest.mark.parametrize(
    ("runs", "word"),
    [
        (points([0.0, 40.0], [8.0, 4.0]), "2 different loads"),
        (points([0.0, 40.0, 40.0], [8.0, 4.0, 4.1]), "2 different loads"),
        (points([0.0, 20.0, 40.0], [8.0, 6.0, 4.0], reached=False), "0 different loads"),
        (points([0.0, 20.0, 40.0], [4.0, 6.0, 8.0]), "does not fall"),
        (points([0.0, 5.0, 10.0], [8.0, 7.5, 7.0]), "falls by 12 % only"),
        (points([20.0, 40.0, 60.0], [6.0, 4.0, 2.0]), "lightest load costs more than 10 %"),
        (points([0.0, 10.0, 20.0, 30.0], [8.0, 5.9, 6.8, 4.0]), "too far off the line"),
    ],
)
def test_a_line_that_cannot_tell_is_refused_with_the_reason(runs: pl.DataFrame, word: str) -> None:
    found = line(runs)
    assert word in found["why_not"]
    assert found["v0"] is None
    assert found["load_10"] is None


def test_a_line_far_from_the_run_without_load_is_flagged() -> None:
    loads = [0.0, 10.0, 20.0, 30.0, 40.0, 50.0, 60.0]
    speeds = [8.0 - 0.09 * load for load in loads]
    near, far = (line(points(loads, [free, *speeds[1:]])) for free in (8.1, 8.9))
    assert (near["why_not"], far["why_not"]) == (None, None)
    assert (near["flags"], far["flags"]) == (None, "unloaded_differs")
    assert line(points([2.0, *loads[1:]], [8.9, *speeds[1:]]))["flags"] is None


def test_an_assisted_pull_is_no_point() -> None:
    assert load_lines(
        points([0.0, 20.0, 40.0], [8.0, 6.0, 4.0], pull="assisted"), sessions_of(VECTOR)
    ).is_empty()


def test_force_and_mass_are_lines_apart() -> None:
    runs = pl.concat(
        [
            points([0.0, 20.0, 40.0], [8.0, 6.0, 4.0]),
            points([5.0, 20.0, 40.0], [7.6, 6.4, 4.8], basis="sled_mass_kg"),
        ]
    )
    found = load_lines(runs, sessions_of(VECTOR))
    assert dict(found.select("load_basis", "n").iter_rows()) == {"set force": 3, "sled mass": 3}


def test_scatter_is_pooled_over_athletes() -> None:
    """Three points leave one degree of freedom each: the t value falls from 6.3 to that of many."""
    rng = np.random.default_rng(8)
    loads = [0.0, 20.0, 40.0]
    many = pl.concat(
        points(
            loads,
            [8.0 - 0.1 * load + rng.normal(0, 0.05) for load in loads],
            athlete_id=f"A{n}",
            session_id=f"S{n}",
        )
        for n in range(30)
    )
    masses = sessions_of(many.with_columns(pl.col("session_id")))
    together = load_lines(many, masses)
    assert together["degrees_of_freedom"].min() > 5  # type: ignore[operator]
    alone = load_lines(many[:3], masses)
    assert alone["degrees_of_freedom"].to_list() == [1.0]
    width = together["load_25_high"] - together["load_25_low"]
    assert width.median() < 8  # type: ignore[operator]


def test_intervals_of_loads_cover_the_truth() -> None:
    """4,000 lines of four loads, noise 1.5 % of velocity (a plateau's error grows with it, as the catalogue
    says): 90 % Fieller intervals of the load for 25 %. Were it 0.1 m/s at any speed, they held 84 %."""
    rng = np.random.default_rng(9)
    loads = np.array([0.0, 15.0, 30.0, 45.0])
    n = 4_000
    speeds = ((8.0 - 0.09 * loads[None, :]) * (1 + rng.normal(0, 0.015, (n, 4)))).ravel()
    runs = points(np.tile(loads, n).tolist(), speeds.tolist()).with_columns(
        session_id=pl.Series(np.repeat([f"S{i}" for i in range(n)], 4)), device=pl.lit("d")
    )
    found = load_lines(runs, sessions_of(runs)).filter(pl.col("load_25").is_not_null())
    assert found.height > 0.9 * n
    true = 0.25 * 8.0 / 0.09
    inside = ((found["load_25_low"] <= true) & (true <= found["load_25_high"])).mean()
    assert 0.88 < inside < 0.92  # type: ignore[operator]


def test_forces_of_several_loads() -> None:
    """Plateaus on v = 9 - F / 0.8 without air: F0 = 7.2 N/kg; the air moves points along, not off."""
    kg, loads = 80.0, [20.0, 100.0, 250.0]
    speeds = [9.0 - force / kg / 0.8 for force in loads]
    runs = points(loads, speeds).with_columns(plateau_force=pl.Series(loads))
    found = load_lines(runs, sessions_of(runs, kg=kg)).filter(pl.col("load_basis") == "measured force")
    row = found.row(0, named=True)
    assert row["why_not"] is None
    assert row["f0"] == pytest.approx(7.2, rel=0.03)
    assert row["v0_force"] > 9.0
    assert row["pmax"] == pytest.approx(row["f0"] * row["v0_force"] / 4)
    unweighed = load_lines(runs, sessions_of(runs, kg=None))
    assert unweighed["f0"].null_count() == unweighed.height


# From the trace to the value

LOADS = ((12.0, 8.0), (90.0, 6.1), (180.0, 4.0))


def runs_and_samples(seconds: float = 6.0) -> tuple[pl.DataFrame, pl.DataFrame]:
    samples = pl.concat(
        trace_of_sprint(seconds, speed, 1.1, load, name=f"t{load:g}") for load, speed in LOADS
    )
    rows = [
        {"trial": i, "pull": "resisted", "resistance_n": load, "sample_set_id": f"t{load:g}"}
        for i, (load, _) in enumerate(LOADS)
    ]
    return flag(trial_rows(TABLE, *rows), samples), samples


def test_traces_give_loads_for_each_basis_and_forces() -> None:
    trials, samples = runs_and_samples()
    found = measure(trials, sessions_of(trials, kg=80.0), samples)
    loads = found.filter(pl.col("metric") == "velocity_decrement_load")
    assert set(loads["load_basis"]) == {"measured force", "set force"}
    assert set(loads["decrement"]) == {"10 %", "25 %", "50 %"}
    assert loads["row_id"].is_unique().all()
    # Velocity falls by 4.0 m/s over 168 N from 8.28 m/s: half of that at 174 N.
    half = loads.filter(pl.col("decrement") == "50 %")["value"]
    assert half.to_list() == pytest.approx([174.0, 174.0], rel=0.02)
    assert found.filter(pl.col("metric") == "velocity_decrement_sled_mass").is_empty()
    of_forces = found.filter(pl.col("metric") == "sprint_f0")["test"]
    assert of_forces.filter(~of_forces.str.starts_with("resisted_run")).to_list() == ["multi_load"]


@pytest.mark.mode(40)
def test_runs_cut_short_are_flagged_and_make_no_line() -> None:
    trials, samples = runs_and_samples(seconds=2.2)
    found = measure(trials, sessions_of(trials, kg=80.0), samples)
    plateau = found.filter(pl.col("metric") == "resisted_plateau_velocity")
    assert set(plateau["flags"]) == {"plateau_not_reached"}
    assert found.filter(pl.col("metric") == "velocity_decrement_load").is_empty()
    fits = profiles(trials, sessions_of(trials, kg=80.0), samples)
    lines = fits.filter(pl.col("kind") == "resisted_load_velocity")
    assert all(text.startswith("Runs at 0 different loads") for text in lines["why_not"])


def test_the_curve_of_each_trace() -> None:
    trials, samples = runs_and_samples()
    fits = profiles(trials, sessions_of(trials), samples).filter(pl.col("kind") == "resisted_trace")
    for (_, speed), values in zip(LOADS, fits.sort("trial")["values"], strict=True):
        told = {value["name"]: value for value in values}
        assert told["vmax"]["value"] == pytest.approx(speed, rel=0.01)
        assert told["tau"]["value"] == pytest.approx(1.1, rel=0.02)
        assert told["tau"]["error"] is None


def test_sections_are_counted_from_the_start_of_movement() -> None:
    """1 s of standing before the run changes nothing."""
    trials, samples = runs_and_samples()
    waited = samples.with_columns(pl.col("time_s") + 1.0)
    still = samples.filter(pl.col("time_s") < 0.99).with_columns(position_m=pl.lit(0.0))
    for shown in (samples, pl.concat([still, waited])):
        found = measure(trials, sessions_of(trials), shown)
        first = found.filter(
            (pl.col("metric") == "resisted_section_velocity")
            & (pl.col("distance") == "5 m")
            & (pl.col("trial") == 0)
        )
        # d(t) = 5 m at V 8 m/s, tau 1.1 s: t = 1.423 s.
        assert first["value"].to_list() == [pytest.approx(5 / 1.423, rel=0.01)]
        assert first["from_distance"].to_list() == ["0 m"]


@pytest.mark.mode(40)
def test_a_run_that_had_begun_has_no_sections() -> None:
    trials, samples = runs_and_samples()
    cut = samples.filter(pl.col("time_s") >= 0.5)
    found = measure(trials, sessions_of(trials), cut)
    assert found.filter(pl.col("metric") == "resisted_section_velocity").is_empty()
    plateau = found.filter(pl.col("metric") == "resisted_plateau_velocity")
    assert set(plateau["flags"]) == {"start_not_recorded"}

"""Resisted sprints: values of traces, what is flagged on a run, and which runs compare."""

from typing import Any

import numpy as np
import polars as pl
import pytest

from pipeline.metrics.measurements import measure_all
from pipeline.metrics.resisted_sprint import flag, measure
from schemas.catalogue import CATALOGUE
from schemas.models import table_model
from tests.metrics.trial_rows import sessions_of, trace, trial_rows

TABLE = "resisted_runs"


def runs(*rows: dict[str, Any]) -> pl.DataFrame:
    """Runs against 60 N, whose sample set is named `run` unless a field says otherwise."""
    same = {"sample_set_id": "run", "trial": 1, "pull": "resisted", "resistance_n": 60.0, "surface": "track"}
    return trial_rows(TABLE, *({**same, **row} for row in rows))


def values(samples: pl.DataFrame, *rows: dict[str, Any]) -> dict[str, float]:
    """Metric -> value of one run."""
    trials = flag(runs(*(rows or ({},))), samples)
    found = measure(trials, sessions_of(trials), samples)
    return dict(found.select("metric", "value").iter_rows())


def flags(samples: pl.DataFrame, **fields: Any) -> str | None:
    return flag(runs(fields), samples)["flags"].item()


def test_the_samples_are_as_declared() -> None:
    table_model("resisted_samples").validate(trace(1.0), lazy=True)
    table_model(TABLE).validate(flag(runs({}), trace(1.0)), lazy=True)


def test_a_run_at_constant_speed_against_a_constant_force() -> None:
    assert values(trace(3.0, speed=6.0, force_n=75.0)) == pytest.approx(
        {
            "resisted_plateau_velocity": 6.0,
            "resisted_peak_velocity": 6.0,
            "resisted_peak_force": 75.0,
            "resisted_mean_force": 75.0,
        }
    )


@pytest.mark.mode(39)
@pytest.mark.parametrize(("force_n", "told"), [(60.0, False), (65.9, False), (66.1, True), (53.9, True)])
def test_a_force_that_is_not_the_set_resistance_is_told(force_n: float, told: bool) -> None:
    samples = trace(3.0, force_n=force_n)
    trials = flag(runs({}), samples)
    found = measure(trials, sessions_of(trials), samples).filter(metric="resisted_plateau_velocity")
    assert ("resistance_off" in (found["flags"].item() or "")) == told


def test_the_plateau_of_a_sprint_is_its_last_five_metres() -> None:
    """v = V (1 - exp(-t / tau)): 5 m over the time from x(T) - 5 m to T."""
    time, top, tau = np.arange(201) / 50, 6.5, 1.1
    place = top * (time - tau * (1 - np.exp(-time / tau)))
    samples = trace(4.0).with_columns(position_m=pl.Series(place))
    began = np.interp(place[-1] - 5.0, place, time)
    assert values(samples)["resisted_plateau_velocity"] == pytest.approx(5.0 / (4.0 - began), rel=1e-6)


def test_samples_are_taken_in_the_order_of_time() -> None:
    samples = trace(3.0)
    assert values(samples.reverse()) == values(samples)
    assert flags(samples.reverse()) is None


def test_each_run_has_its_own_samples() -> None:
    samples = pl.concat([trace(3.0, 6.0, name="b"), trace(3.0, 4.0, name="a"), trace(3.0, 5.0, name="other")])
    trials = flag(runs({"sample_set_id": "a"}, {"sample_set_id": "b", "trial": 2}), samples)
    found = measure(trials, sessions_of(trials), samples)
    plateau = found.filter(pl.col("metric") == "resisted_plateau_velocity").sort("trial")
    assert plateau["value"].to_list() == pytest.approx([4.0, 6.0])


def test_a_run_without_force_has_a_velocity_only() -> None:
    velocities = {"resisted_plateau_velocity", "resisted_peak_velocity"}
    assert set(values(trace(3.0, force_n=None))) == velocities
    hole = trace(3.0).with_columns(force_n=pl.when(pl.col("line") != 20).then("force_n"))
    assert set(values(hole)) == velocities


@pytest.mark.mode(39)
def test_a_setting_never_stands_in_for_force() -> None:
    told = values(trace(3.0, force_n=None), {"resistance_setting": "12 kg"})
    assert set(told) == {"resisted_plateau_velocity", "resisted_peak_velocity"}


@pytest.mark.mode(40)
def test_a_short_trace_is_flagged_on_its_run_and_its_forces_and_has_no_plateau() -> None:
    samples = trace(0.8, speed=6.0)
    assert flags(samples) == "trace_short"
    trials = flag(runs({}), samples)
    found = measure(trials, sessions_of(trials), samples)
    assert dict(found.select("metric", "flags").iter_rows()) == {
        "resisted_peak_velocity": "trace_short",
        "resisted_peak_force": "trace_short",
        "resisted_mean_force": "trace_short",
    }


def test_exactly_five_metres_are_no_short_trace() -> None:
    samples = trace(1.0, speed=5.0)
    assert flags(samples) is None
    assert values(samples)["resisted_plateau_velocity"] == pytest.approx(5.0)


@pytest.mark.parametrize(("back_m", "said"), [(0.04, None), (0.06, "trace_not_rising")])
def test_a_position_may_go_back_by_five_centimetres(back_m: float, said: str | None) -> None:
    """Methods, B5: monotone within 5 cm."""
    fallen = pl.when(pl.col("line") == 50).then(pl.col("position_m").shift(1) - back_m)
    assert flags(trace(3.0).with_columns(position_m=fallen.otherwise("position_m"))) == said


@pytest.mark.mode(39)
def test_a_way_back_in_small_steps_is_one() -> None:
    walked = pl.when(pl.col("line") > 100).then(6.0 - 0.01 * (pl.col("line") - 100)).otherwise("position_m")
    assert flags(trace(3.0).with_columns(position_m=walked)) == "trace_not_rising"


def test_two_samples_at_one_time_are_flagged() -> None:
    still = pl.when(pl.col("line") == 30).then(pl.col("time_s").shift(1)).otherwise("time_s")
    assert flags(trace(3.0).with_columns(time_s=still)) == "trace_not_rising"


def test_two_runs_under_one_time_are_not_used() -> None:
    """Their samples are laid into each other by time."""
    both = pl.concat([trace(3.0, 6.0), trace(3.0, 5.0).with_columns(pl.col("time_s") + 0.003)])
    trials = runs({})
    tables = measure_all({TABLE: trials, "resisted_samples": both}, sessions_of(trials), CATALOGUE, {})[
        "measurements"
    ]
    assert tables.height >= 4
    assert set(tables["used"]) == {False}
    assert all("trace_not_rising" in str(codes) for codes in tables["flags"])


def test_flags_join_those_the_run_had_and_its_mark() -> None:
    assert flags(trace(0.5), flags="gap", mark="failed") == "failed;gap;trace_short"


def test_a_run_of_one_sample_has_no_values() -> None:
    assert values(trace(0.0)) == {}
    assert flags(trace(0.0)) == "trace_short"


def series(**fields: Any) -> str:
    """The label of the plateau's series."""
    trials = runs(fields)
    tables = measure_all({TABLE: trials, "resisted_samples": trace(3.0)}, sessions_of(trials), CATALOGUE, {})
    told = tables["series"].filter(pl.col("metric") == "resisted_plateau_velocity")
    return str(told["label"].item())


def test_the_label_of_a_series() -> None:
    assert series(resistance_setting="6 kg") == (
        "pull=resisted; resistance=60 N; resistance_setting=6 kg; sled_mass=unknown; "
        "start_offset=unknown; surface=track; method=device-1; method_version=unknown"
    )


@pytest.mark.parametrize(
    "other",
    [
        {"pull": "assisted"},
        {"resistance_n": 61.0},
        {"resistance_n": None, "resistance_setting": "60"},
        {"resistance_n": None, "sled_mass_kg": 60.0},
        {"surface": "grass"},
        {"start_offset_m": 0.5},
        {"device": "device-2"},
        {"method_version": "2"},
    ],
)
def test_series_are_never_mixed(other: dict[str, Any]) -> None:
    """Resisted and assisted, a force, a setting and a sled's mass of the same number, another ground ..."""
    assert series(**other) != series()


def test_the_caution_of_an_assisted_pull_is_told() -> None:
    assert "hamstring" in CATALOGUE["resisted_plateau_velocity"].caution

"""Which values may be compared: another method, device, timing or set-up is another series."""

from __future__ import annotations

from typing import Any

import polars as pl
import pytest

from pipeline.facility.catalogue import facility_catalogue
from pipeline.facility.settings import Metrics
from pipeline.metrics.measurements import measure_all
from schemas.catalogue import CATALOGUE
from tests.metrics.trial_rows import jump, lift, run, sessions_of, trial_rows

# Of scales and tapes it does not matter which (fine print, "Keys and versions").
OF_ANY_DEVICE = {"body_mass", "stature", "maturity_bin", "composite_score"}
BY_EXAMPLE: dict[str, tuple[str, list[dict[str, Any]]]] = {
    "jump_height": ("jump_trials", [jump()]),
    "sprint_time": ("sprint_splits", run((10, 1.9))),
    "bar_mean_velocity": ("bar_reps", [lift()]),
    "neck_force": ("neck_trials", [{"direction": "flexion", "peak_force_n": 150.0, "trial": 1}]),
    "skinfold_site": ("skinfold_readings", [{"site": "triceps", "reading": 1, "thickness_mm": 9.0}]),
}


def n_series(metric: str, table: str, *rows: dict[str, Any], devices: dict[str, str] | None = None) -> int:
    trials = trial_rows(table, *rows)
    made = measure_all({table: trials}, sessions_of(trials), CATALOGUE, devices or {})
    return made["measurements"].filter(pl.col("metric") == metric)["series_id"].n_unique()


@pytest.mark.parametrize("metric", sorted(set(CATALOGUE) - OF_ANY_DEVICE))
def test_every_metric_of_a_device_has_its_method_among_the_keys(metric: str) -> None:
    assert {"method", "method_version"} <= set(CATALOGUE[metric].series_keys)


@pytest.mark.parametrize("metric", BY_EXAMPLE)
@pytest.mark.mode(21)
def test_a_device_or_a_version_of_its_method_starts_a_series(metric: str) -> None:
    table, rows = BY_EXAMPLE[metric]
    other = [{**row, "row_id": f"other-{n}", "trial_id": "other"} for n, row in enumerate(rows)]
    again = [{**row, "trial": 2} for row in other] if metric != "skinfold_site" else other
    for change, series in (({}, 1), ({"device": "device-2"}, 2), ({"method_version": "2"}, 2)):
        assert n_series(metric, table, *rows, *({**row, **change} for row in again)) == series
    # Two devices of one method are one series.
    same = {"device-1": "one", "device-2": "one"}
    moved = [{**row, "device": "device-2"} for row in again]
    assert n_series(metric, table, *rows, *moved, devices=same) == 1


@pytest.mark.parametrize("change", [{"timing": "hand"}, {"timing": None}, {"start_offset_m": 0.3}])
@pytest.mark.parametrize("metric", ["sprint_time", "interval_speed"])
@pytest.mark.mode(32)
def test_times_by_hand_never_stand_with_electronic_ones(metric: str, change: dict[str, Any]) -> None:
    by_gate, other = run((10, 1.9)), run((10, 1.9), name="other", **change)
    assert n_series(metric, "sprint_splits", *by_gate, *other) == 2
    assert n_series(metric, "sprint_splits", *by_gate, *run((10, 1.95), name="other")) == 1


@pytest.mark.parametrize("metric", [name for name, one in CATALOGUE.items() if one.family == "timing_gates"])
@pytest.mark.mode(32)
def test_how_it_was_timed_is_a_key_of_every_gate_metric(metric: str) -> None:
    assert "timing" in CATALOGUE[metric].series_keys


def test_the_two_forms_of_reactive_strength_are_not_mixed() -> None:
    """Only the height form is made: metres over seconds, never a ratio of times."""
    forms = [one for name, one in CATALOGUE.items() if "reactive_strength" in name]
    assert [one.unit for one in forms] == ["m/s"]


def test_a_series_counts_in_the_one_it_is_joined_to_until_the_line_is_taken_out() -> None:
    rows = [jump(), *(jump(row_id=name, trial_id=name, device=name) for name in ("device-2", "device-3"))]
    trials = trial_rows("jump_trials", *rows)

    def made(joins: pl.DataFrame | None) -> dict[str, pl.DataFrame]:
        return measure_all(
            {"jump_trials": trials}, sessions_of(trials), facility_catalogue(Metrics({}, {}, {}), joins), {}
        )

    def series(tables: dict[str, pl.DataFrame], metric: str) -> list[str]:
        return sorted(tables["series"].filter(metric=metric)["method"])

    apart = made(None)
    first, second, third = apart["series"].filter(metric="jump_height").sort("method")["label"]
    told = pl.DataFrame({"metric": "jump_height", "label": [third, second], "joined_to": [second, first]})
    tables = made(told)
    assert (series(tables, "jump_height"), len(series(tables, "flight_time"))) == (["device-1"], 3)
    joined = tables["measurements"].filter(metric="jump_height")
    assert joined["series_id"].unique().to_list() == [
        apart["series"].filter(metric="jump_height", method="device-1")["series_id"].item()
    ]
    assert set(joined["measurement_id"]) == set(
        apart["measurements"].filter(metric="jump_height")["measurement_id"]
    )

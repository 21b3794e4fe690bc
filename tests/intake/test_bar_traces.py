"""Bar traces through intake: a layout of bar speed that maps a position is one of traces."""

from __future__ import annotations

from pathlib import Path

import polars as pl

from pipeline.facility.folder import check_facility, load_facility
from pipeline.intake.dry_run import dry_run
from pipeline.intake.intake import take_in
from pipeline.warehouse.store import open_warehouse
from tests.numerics.bar_traces import squats

SETTINGS = """
name = "Test hall"
timezone = "Europe/Lisbon"
settle_seconds = 0
[devices.rack]
family = "bar_speed"
"""
TRACES = """
layout = "traces"
family = "bar_speed"
device = "rack"
[match]
folder = "traces"
header = ["t", "mm"]
[columns.athlete]
from = "who"
[columns.performed_at]
from = "at"
format = "%Y-%m-%dT%H:%M:%S"
[columns.lift]
value = "back_squat"
[columns.load_kg]
from = "kg"
unit = "kg"
[columns.time_s]
from = "t"
unit = "s"
[columns.position_m]
from = "mm"
unit = "mm"
"""
REPS = """
layout = "reps"
family = "bar_speed"
device = "rack"
[match]
folder = "reps"
header = ["mv"]
[columns.athlete]
from = "who"
[columns.performed_at]
from = "at"
format = "%Y-%m-%dT%H:%M:%S"
[columns.lift]
value = "back_squat"
[columns.load_kg]
from = "kg"
unit = "kg"
[columns.mean_velocity_m_s]
from = "mv"
unit = "m/s"
"""


def facility(folder: Path, **layouts: str) -> Path:
    (folder / "config" / "layouts").mkdir(parents=True)
    (folder / "config" / "facility.toml").write_text(SETTINGS, encoding="utf-8")
    (folder / "config" / "athletes.csv").write_text("athlete_id,name\na01,Ana Prado\n", encoding="utf-8")
    for name, text in layouts.items():
        (folder / "config" / "layouts" / f"{name}.toml").write_text(text, encoding="utf-8")
        (folder / "inbox" / name).mkdir(parents=True)
    return folder


def trace_file(at: str = "2026-01-05T10:00:00", kg: float = 80.0) -> str:
    time, height = squats(50).trace()
    lines = [f"Ana Prado,{at},{kg},{t:.2f},{1000 * h:.0f}" for t, h in zip(time, height, strict=True)]
    return "\n".join(["who,at,kg,t,mm", *lines]) + "\n"


def test_a_trace_is_one_row_a_set_with_its_samples(tmp_path: Path) -> None:
    folder = facility(tmp_path, traces=TRACES, reps=REPS)
    assert check_facility(folder) == []
    # Two sets begun at other times, one file; and the same device counts repetitions itself in another.
    second = trace_file("2026-01-05T10:05:00", 100.0).split("\n", 1)[1]
    text = trace_file() + second.replace(",100.0,3.00,", ",100.0,x,", 1)
    (folder / "inbox" / "traces" / "sets.csv").write_text(text, encoding="utf-8")
    (folder / "inbox" / "reps" / "reps.csv").write_text(
        "who,at,kg,mv\nAna Prado,2026-01-05T11:00:00,80,0.7\n", encoding="utf-8"
    )
    loaded = load_facility(folder)
    with open_warehouse(loaded.warehouse_file) as warehouse:
        take_in(loaded, warehouse, lambda text: None)
        sets = warehouse.read("bar_sets").sort("load_kg")
        samples, files = warehouse.read("bar_samples"), warehouse.read("files")
        assert warehouse.read("bar_reps")["mean_velocity_m_s"].to_list() == [0.7]
    n = trace_file().count("\n") - 1
    assert sets.select("load_kg", "n_samples", "flags").rows() == [(80.0, n, None), (100.0, n - 1, "gap")]
    assert sets["sample_rate_hz"].to_list() == [50.0, 50.0] or abs(sets["sample_rate_hz"][0] - 50) < 1e-6
    assert samples.height == 2 * n - 1
    assert samples["row_id"].null_count() == samples.height
    assert set(files["family"]) == {"bar_speed"}
    assert files.select(pl.col("lines", "loaded", "held").sum()).rows() == [(2 * n + 1, 2 * n, 1)]


def test_a_trace_again_changes_nothing(tmp_path: Path) -> None:
    folder = facility(tmp_path, traces=TRACES)
    loaded = load_facility(folder)
    with open_warehouse(loaded.warehouse_file) as warehouse:
        for name, text in (("one.csv", trace_file()), ("again.csv", trace_file() + "\n")):
            (folder / "inbox" / "traces" / name).write_text(text, encoding="utf-8")
            take_in(loaded, warehouse, lambda text: None)
        assert warehouse.read("bar_sets").height == 1
        assert sorted(warehouse.read("files")["status"]) == ["loaded", "repeated"]


def test_a_dry_run_shows_the_set(tmp_path: Path) -> None:
    folder = facility(tmp_path, traces=TRACES)
    file = folder / "inbox" / "traces" / "one.csv"
    file.write_text(trace_file(), encoding="utf-8")
    shown = dry_run(load_facility(folder), file)
    assert shown.rows is not None and shown.rows["load_kg"].to_list() == [80.0]


def test_what_is_wrong_with_a_layout_of_traces(tmp_path: Path) -> None:
    without = TRACES.replace('[columns.time_s]\nfrom = "t"\nunit = "s"\n', "")
    (problem,) = check_facility(facility(tmp_path, traces=without))
    assert "time_s" in problem.message


def test_traces_are_no_device_family(tmp_path: Path) -> None:
    folder = facility(tmp_path)
    settings = SETTINGS.replace('"bar_speed"', '"bar_traces"')
    (folder / "config" / "facility.toml").write_text(settings, encoding="utf-8")
    (problem,) = check_facility(folder)
    assert "'bar_traces' is no device family" in problem.message

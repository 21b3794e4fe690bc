"""Witnesses: what a device computed is kept, set beside ours, flagged where it differs, and never used."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import polars as pl
import pytest

from pipeline.metrics import contact_mat, neck_dynamometer, resisted_sprint, skinfold_calipers, timing_gates
from pipeline.metrics.found_reps import found_reps
from pipeline.metrics.measurements import measure_all
from pipeline.metrics.witness import CODE, INTERVAL_SPEED, JUMP_HEIGHT, disagrees
from schemas.catalogue import CATALOGUE
from schemas.codes import CODES
from schemas.families import FAMILIES
from tests.intake.facility_maker import Bench, Hall
from tests.intake.propose.test_propose import Desk
from tests.metrics.trial_rows import jump, run, sessions_of, sprint_gates, trace, trace_of_sprint, trial_rows
from tests.numerics.bar_traces import squats

HEIGHT_M = 9.80665 * 0.6**2 / 8  # 0.4413 m, of a flight of 0.6 s


def flagged(frame: pl.DataFrame) -> list[bool]:
    return frame.select(pl.col("flags").str.contains(CODE).fill_null(False)).to_series().to_list()


@pytest.mark.parametrize(
    ("said_m", "other"),
    [
        (None, False),  # nothing said
        (0.44, False),  # rounded to whole centimetres
        (9.81 * 0.6**2 / 8, False),  # with another g
        (HEIGHT_M + 0.005 + 0.02 * HEIGHT_M + 1e-6, True),
        (HEIGHT_M - 0.005 - 0.02 * HEIGHT_M - 1e-6, True),
        (44.13, True),  # centimetres taken for metres
    ],
)
def test_a_jump_height(said_m: float | None, other: bool) -> None:
    trials = trial_rows("jump_trials", jump(witness_jump_height_m=said_m))
    assert flagged(contact_mat.flag(trials)) == [other]


def test_the_other_form_of_the_reactive_strength_index_is_found_out() -> None:
    fields = {"test": "drop_jump", "contact_time_s": 0.2, "drop_height_m": 0.3}
    ours, flight_over_contact = HEIGHT_M / 0.2, 0.6 / 0.2
    said = [{"witness_reactive_strength_m_s": x} for x in (round(ours, 1), flight_over_contact)]
    trials = trial_rows("jump_trials", *(jump(trial=n, **fields, **one) for n, one in enumerate(said)))
    assert flagged(contact_mat.flag(trials)) == [False, True]


def test_a_speed_between_gates_is_that_from_the_gate_before() -> None:
    gates = sprint_gates(9.0, 1.1, 0.5, (5, 10, 20))
    between = [(d - c) / (t - s) for (c, s), (d, t) in zip([(0.0, 0.0), *gates], gates, strict=False)]
    since_start = [d / t for d, t in gates]
    for said, other in ((between, [False, False, False]), (since_start, [False, True, True])):
        told = [row | {"witness_interval_speed_m_s": x} for row, x in zip(run(*gates), said, strict=True)]
        found = timing_gates.flag(trial_rows("sprint_splits", *told, *run(*gates, name="untold")))
        assert flagged(found) == [*other, False, False, False]


def test_velocities_of_a_trace_are_set_beside_its_positions() -> None:
    samples = pl.concat(
        [
            trace_of_sprint(5.0, 7.0, 1.1, name="same"),
            trace_of_sprint(5.0, 7.0, 1.1, name="km/h").with_columns(pl.col("velocity_m_s") * 3.6),
            trace_of_sprint(5.0, 7.0, 1.1, name="none").with_columns(velocity_m_s=None),
        ]
    )
    runs = trial_rows("resisted_runs", *({"sample_set_id": n, "trial": 1} for n in ("same", "km/h", "none")))
    assert flagged(resisted_sprint.flag(runs, samples)) == [False, True, False]


def test_the_highest_velocity_of_a_run_is_flagged_on_the_value_it_is_set_beside() -> None:
    runs = trial_rows("resisted_runs", *({"sample_set_id": "run", "trial": 1} | said for said in SAID))
    values = resisted_sprint.measure(
        resisted_sprint.flag(runs, trace(3.0)), sessions_of(runs), trace(3.0)
    ).filter(pl.col("metric") == "resisted_peak_velocity")
    assert flagged(values) == [False, True]
    assert values["value"].to_list() == pytest.approx([6.0, 6.0])


SAID: list[dict[str, Any]] = [{"witness_peak_velocity_m_s": 6.3}, {"witness_peak_velocity_m_s": 21.6}]


@pytest.mark.parametrize(
    ("said_n", "marks", "other"),
    [
        (None, "ok ok ok", False),
        (171.0, "ok ok ok", False),  # rounded
        (171.4, "ok ok struck", False),  # the device did not know that the last is struck
        (160.0, "ok ok struck", False),  # or did
        (150.0, "ok ok ok", True),  # the mean of them, say
        (17.48, "ok ok ok", True),  # kgf taken for N
    ],
)
def test_the_highest_force_of_several_trials(said_n: float | None, marks: str, other: bool) -> None:
    pushes = [
        {"direction": "flexion", "trial": n, "peak_force_n": force, "witness_highest_force_n": said_n}
        | {"mark": "ok" if mark == "ok" else "invalid"}
        for n, (force, mark) in enumerate(zip((118.6, 160.0, 171.4), marks.split(), strict=True))
    ]
    apart = {"direction": "extension", "trial": 1, "peak_force_n": 300.0}
    trials = neck_dynamometer.flag(trial_rows("neck_trials", *pushes, apart))
    assert flagged(trials) == [other] * 3 + [False]


@pytest.mark.parametrize(
    ("said_mm", "other"),
    [
        (None, False),
        (10.0 + 8.0 + 12.0 + 20.0 + 15.0, False),  # all folds, of the means of two readings
        (10.0 + 12.0 + 15.0, False),  # a set of sites: triceps, suprailiac, thigh
        (2 * 65.0, True),  # both readings of each
        (6.5, True),  # centimetres taken for millimetres
        (10.0 + 8.0, True),  # of no set
    ],
)
def test_the_sum_of_folds_that_an_export_has(said_mm: float | None, other: bool) -> None:
    folds = {"triceps": 10.0, "biceps": 8.0, "suprailiac": 12.0, "abdomen": 20.0, "thigh": 15.0}
    rows = [
        {"site": site, "reading": n, "thickness_mm": mm + off, "witness_sum_mm": said_mm}
        for site, mm in folds.items()
        for n, off in ((1, -0.2), (2, 0.2))
    ]
    assert flagged(skinfold_calipers.flag(trial_rows("skinfold_readings", *rows))) == [other] * 10


def test_what_a_device_counts_and_tells_of_a_traced_set() -> None:
    bar = squats(100)
    time, height = bar.trace(0.0003)
    count, peak = len(bar.truth), max(peak for _, peak, _ in bar.truth)
    said: list[dict[str, Any]] = [
        {},
        {"witness_set_repetitions": count, "witness_set_peak_velocity_m_s": round(peak, 1)},
        {"witness_set_repetitions": count + 1},
        {"witness_set_peak_velocity_m_s": 3.6 * peak},
    ]
    about = {"lift": "back_squat", "load_kg": 80.0}
    sets = trial_rows(
        "bar_sets", *({**about, "set": n, "sample_set_id": f"{n}"} | one for n, one in enumerate(said))
    )
    samples = pl.concat(
        pl.DataFrame({"time_s": time, "position_m": height, "line": range(time.size)}).select(
            pl.lit(f"{n}").alias("sample_set_id"), pl.all()
        )
        for n in range(len(said))
    )
    made = found_reps(sets, samples).sort("set", "rep")
    assert flagged(made) == [other for other in (False, False, True, True) for _ in range(count)]
    measured = "mean_velocity_m_s", "peak_velocity_m_s", "propulsive_velocity_m_s", "range_of_motion_m"
    for told in made.partition_by("set"):
        assert told.select(measured).equals(made.filter(pl.col("set") == 0).select(measured))


def test_no_value_is_made_from_a_witness() -> None:
    """Every witness of every family filled in with nonsense: the same values, though flagged."""
    samples = trace_of_sprint(5.0, 7.0, 1.1)
    rows: dict[str, list[dict[str, Any]]] = {
        "jump_trials": [jump(), jump(test="drop_jump", contact_time_s=0.2, drop_height_m=0.3)],
        "sprint_splits": run(*sprint_gates(9.0, 1.1, 0.5, (5, 10, 20, 30))),
        "resisted_runs": [{"sample_set_id": "run", "trial": 1, "pull": "resisted"}],
        "neck_trials": [{"direction": "flexion", "trial": 1, "peak_force_n": 150.0}],
        "skinfold_readings": [{"site": "triceps", "reading": 1, "thickness_mm": 9.0}],
    }
    witnesses = {
        family.table: {field.name: 77.0 for field in family.columns if field.is_witness}
        for family in FAMILIES.values()
        if family.name != "bar_traces"  # as repetitions found: above
    }
    assert {table for table, fields in witnesses.items() if fields} == set(rows)
    made = []
    for said in ({}, witnesses):
        trials = {
            table: trial_rows(table, *(row | said.get(table, {}) for row in of)) for table, of in rows.items()
        }
        sessions = sessions_of(*trials.values(), kg=75.0)
        made.append(measure_all(trials | {"resisted_samples": samples}, sessions, CATALOGUE, {}))
    plain, told = made
    assert told["measurements"].drop("flags").equals(plain["measurements"].drop("flags"))
    assert CODE in told["value_flags"]["code"] and CODE not in plain["value_flags"]["code"]


def test_the_code_says_the_tolerances() -> None:
    said = str(CODES[CODE].threshold)
    assert CODES[CODE].effect == "flags"
    assert f"{100 * JUMP_HEIGHT.absolute:g} cm + {100 * JUMP_HEIGHT.share:g} %" in said
    assert f"{INTERVAL_SPEED.absolute:g} m/s + {100 * INTERVAL_SPEED.share:g} %" in said
    frame = pl.DataFrame({"a": [1.0, None], "b": [None, 1.0]}, schema={"a": pl.Float64, "b": pl.Float64})
    assert not frame.select(disagrees(pl.col("a"), pl.col("b"), JUMP_HEIGHT)).to_series().any()


JUMPS = """
layout = "jumps"
family = "contact_mat"
device = "mat-1"
[match]
folder = "mat-1"
header = ["Jumper"]
[columns.athlete]
from = "Jumper"
[columns.performed_at]
from = "At"
format = "%Y-%m-%d %H:%M:%S"
[columns.test]
from = "Jump"
map = { CMJ = "countermovement_jump" }
[columns.trial]
from = "No"
[columns.flight_time_s]
from = "Flight"
unit = "ms"
[columns.witness_jump_height_m]
from = "Height"
unit = "cm"
"""
HEADER = "Jumper,At,Jump,No,Flight,Height\n"


def test_a_layout_maps_it_and_no_size_of_it_holds_a_line(tmp_path: Path) -> None:
    bench = Bench(Hall(tmp_path, layouts={"jumps": JUMPS}).facility)
    lines = [f"Ana Prado,2025-03-01 10:0{n}:00,CMJ,{n},600,{h}\n" for n, h in enumerate(("44.1", "9999", ""))]
    again = HEADER + lines[0].replace("44.1", "44.2")
    told = bench.resolve(("mat-1/x.csv", HEADER + "".join(lines)), ("mat-1/y.csv", again))
    rows = told.resolved.tables["jump_trials"].sort("trial")
    assert rows["witness_jump_height_m"].to_list() == [0.441, 99.99, None]
    # Computed anew from the same flight it says nothing new.
    assert rows["version"].to_list() == [1, 1, 1]
    assert told.resolved.tables["held_rows"].is_empty()
    assert flagged(contact_mat.flag(rows)) == [False, True, False]


def test_propose_knows_it_by_its_name_alone(tmp_path: Path) -> None:
    text = "Athlete,Date,Jump,Flight time (ms),{}\n" + "".join(
        f"Ana Reis,2025-05-0{n},CMJ,5{n}0,3{n}.{n}\n" for n in range(1, 8)
    )
    _, layout = Desk(tmp_path).propose(text.format("Jump height (cm)"))
    assert layout["columns"]["witness_jump_height_m"] == {"from": "Jump height (cm)", "unit": "cm"}
    _, layout = Desk(tmp_path).propose(text.format("Wumpus"), "y.csv")
    assert "witness_jump_height_m" not in layout["columns"]

"""The tables of measurements: series, limits, flags, ids, and what may not matter."""

import polars as pl
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from polars.testing import assert_frame_equal

from pipeline.ids import text_id
from pipeline.metrics.measurements import family_modules, flag_trials, measure_all
from schemas.catalogue import CATALOGUE, FedBy, Limits, Metric
from schemas.codes import CODES
from schemas.families import FAMILIES
from schemas.frames import empty
from schemas.models import table_model
from schemas.tables import TABLES
from tests.metrics.trial_rows import (
    jump,
    lift,
    mass,
    run,
    sessions_of,
    sprint_gates,
    trace,
    trace_of_sprint,
    trial_rows,
)

EVERYTHING = {
    "jump_trials": trial_rows(
        "jump_trials",
        jump(),
        jump(trial=2, flight_time_s=0.55, mark="failed"),
        jump(trial=3, leg="left", flight_time_s=0.4),
        jump(trial=3, leg="right", flight_time_s=0.42),
        jump(test="squat_jump", flight_time_s=0.57),
        *(jump(trial=4, added_load_kg=kg, flight_time_s=s) for kg, s in ((20, 0.53), (40, 0.46), (60, 0.4))),
        *(jump(test="drop_jump", contact_time_s=0.21, drop_height_m=box) for box in (0.2, 0.3, 0.4)),
        jump(test="repeated_hops", hop=1, contact_time_s=0.16),
        jump(test="push_up_flight", flight_time_s=0.3, leg=None, hands="floor"),
    ),
    "sprint_splits": trial_rows(
        "sprint_splits",
        *run((5, 1.1), (10, 1.9), (20, 1.7), (30, 4.3)),
        *run(*sprint_gates(8.5, 1.1, 0.5, (5, 10, 20, 30, 40)), name="model"),
        *run(
            (10, 2.4),
            name="turn",
            test="change_of_direction",
            side="left",
            turn_angle_deg=180.0,
            course="half turn",
            approach="flying",
        ),
    ),
    "body_readings": trial_rows(
        "body_readings",
        mass(80.0),
        *(
            {"quantity": quantity, "reading": 1, "value": metres, "unit": "m"}
            for quantity, metres in (("stature", 1.8), ("sitting_height", 0.94), ("push_off_distance", 0.38))
        ),
        mass(50.0, athlete_id="A2"),
        {"quantity": "stature", "reading": 1, "value": 1.6, "unit": "m", "athlete_id": "A2"},
    ),
    "resisted_runs": trial_rows(
        "resisted_runs",
        {"sample_set_id": "run", "pull": "resisted", "trial": 1, "resistance_n": 60.0},
        {"sample_set_id": "short", "pull": "resisted", "trial": 2, "resistance_n": 60.0},
        {"sample_set_id": "light", "pull": "resisted", "trial": 3, "sled_mass_kg": 5.0},
        {"sample_set_id": "middle", "pull": "resisted", "trial": 4, "sled_mass_kg": 25.0},
        {"sample_set_id": "heavy", "pull": "resisted", "trial": 5, "sled_mass_kg": 50.0},
    ),
    "resisted_samples": pl.concat(
        [
            trace(3.0, 6.8),
            trace(0.5, name="short"),
            trace_of_sprint(6.0, 8.0, 1.0, 17.0, "light"),
            trace_of_sprint(6.0, 6.1, 1.0, 86.0, "middle"),
            trace_of_sprint(6.0, 4.1, 1.0, 172.0, "heavy"),
        ]
    ),
    "bar_reps": trial_rows(
        "bar_reps",
        *(lift(rep=rep, propulsive_velocity_m_s=0.8 + rep / 100) for rep in (1, 2, 3, 4)),
        *(
            lift(set=number, load_kg=kg, mean_velocity_m_s=speed, peak_velocity_m_s=1.9)
            for number, (kg, speed) in enumerate(
                ((40.0, 1.15), (60.0, 0.98), (100.0, 0.63), (120.0, 0.46)), 2
            )
        ),
    ),
    "other_trials": trial_rows(
        "other_trials", {"test": "squat_max", "trial": 1, "value": 140.0, "unit": "kg"}
    ),
    "skinfold_readings": trial_rows(
        "skinfold_readings",
        *(
            {"site": site, "reading": reading, "thickness_mm": 9.0 + reading / 5, "measurer": "M1"}
            for site in ("triceps", "suprailiac", "thigh")
            for reading in (1, 2)
        ),
    ),
    "neck_trials": trial_rows(
        "neck_trials",
        *(
            {
                "direction": direction,
                "trial": 1,
                "peak_force_n": 150.0,
                "lever_arm_m": 0.1,
                "posture": "seated",
            }
            for direction in ("flexion", "extension", "left", "right", "rotation_left")
        ),
    ),
}

PEOPLE = pl.DataFrame(
    {
        "athlete_id": ["A1", "A2"],
        "sex": ["female", "male"],
        "equation": ["three_sites", None],
        "fat": ["siri", None],
    }
)
DECLARED = {
    **CATALOGUE,
    "one_rep_max": CATALOGUE["one_rep_max"].model_copy(
        update={"fed_by": (FedBy(test="squat_max", lift="back_squat"),)}
    ),
}


def measured(
    trials: dict[str, pl.DataFrame], catalogue: dict[str, Metric] = CATALOGUE, trials_alone: bool = False
) -> dict[str, pl.DataFrame]:
    sessions = sessions_of(*trials.values(), kg=80.0).with_columns(
        age_years=pl.col("athlete_id").replace_strict({"A1": 24.0, "A2": 13.0})
    )
    return measure_all(trials, sessions, catalogue, {"device-1": "mat by switch"}, PEOPLE, trials_alone)


def jumps(*rows: dict[str, object]) -> pl.DataFrame:
    """The jump heights of rows, with their series."""
    tables = measured({"jump_trials": trial_rows("jump_trials", *rows)})
    heights = tables["measurements"].filter(pl.col("metric") == "jump_height")
    return heights.join(tables["series"], on=["metric", "series_id"]).sort("row_id")


def sprints(*gates: dict[str, object]) -> pl.DataFrame:
    tables = measured({"sprint_splits": trial_rows("sprint_splits", *gates)})
    times = tables["measurements"].filter(pl.col("metric") == "sprint_time")
    return times.join(tables["series"], on=["metric", "series_id"]).sort("row_id")


def test_a_module_for_each_family_that_has_metrics() -> None:
    assert {module.FAMILY for module in family_modules()} == {
        metric.family for metric in CATALOGUE.values()
    } - {"all"}
    assert all(FAMILIES[module.FAMILY].table == module.TABLE for module in family_modules())


def test_the_tables_are_as_declared_and_every_metric_is_made() -> None:
    tables = measured(EVERYTHING, DECLARED)
    for name, frame in tables.items():
        table_model(name).validate(frame, lazy=True)
    off = {name for name, metric in CATALOGUE.items() if not metric.on or metric.family == "all"}
    assert set(tables["measurements"]["metric"]) == set(CATALOGUE) - off


def test_no_rows_give_empty_tables() -> None:
    nothing = {name: empty(TABLES[name]) for name in EVERYTHING}
    for name, frame in measure_all(nothing, empty(TABLES["sessions"]), CATALOGUE, {}).items():
        assert frame.is_empty()
        table_model(name).validate(frame, lazy=True)


def test_single_trials_alone_come_to_what_they_come_to_beside_all_else() -> None:
    whole, alone = measured(EVERYTHING, DECLARED), measured(EVERYTHING, DECLARED, trials_alone=True)
    values = whole["measurements"].filter(pl.col("trial_id").is_not_null())
    assert_frame_equal(alone["measurements"], values)
    assert values.height < whole["measurements"].height
    inputs = whole["measurement_inputs"].join(values, on="measurement_id", how="semi", maintain_order="left")
    assert_frame_equal(alone["measurement_inputs"], inputs)
    series = whole["series"].join(values, on="series_id", how="semi", maintain_order="left")
    assert_frame_equal(alone["series"], series)
    of_rows = whole["value_flags"].filter(pl.col("owner_table") != "measurements")
    assert_frame_equal(alone["value_flags"], of_rows)


@settings(max_examples=15, deadline=None)
@given(st.randoms(use_true_random=False))
def test_row_order_does_not_matter(random: object) -> None:
    def shuffled(frame: pl.DataFrame) -> pl.DataFrame:
        order = list(range(frame.height))
        random.shuffle(order)  # type: ignore[attr-defined]
        return frame[order]

    expected = measured(EVERYTHING)
    for name, frame in measured({table: shuffled(rows) for table, rows in EVERYTHING.items()}).items():
        assert_frame_equal(frame, expected[name], check_exact=True)


def test_the_label_of_a_sprint_series() -> None:
    # The pairs of the contract's example (distance, start, start_offset, timing), in the metric's key order.
    row = sprints(*run((10, 1.9), surface="track", shoes="spikes", method_version="2.1")).row(0, named=True)
    assert row["label"] == (
        "distance=10 m; test=linear_sprint; start=standing; start_offset=0.5 m; timing=electronic; "
        "surface=track; shoes=spikes; method=mat by switch; method_version=2.1"
    )
    assert row["series_id"] == text_id(f"sprint_time|{row['label']}")
    assert (row["distance"], row["start_offset"], row["leg"], row["body_side"], row["pair_id"]) == (
        "10 m", "0.5 m", None, None, None,
    )  # fmt: skip


def test_unknown_is_a_value_that_equals_itself() -> None:
    frame = sprints(
        *run((10, 1.9), name="a", start_offset_m=None), *run((10, 1.8), name="b", start_offset_m=None)
    )
    assert frame["series_id"].n_unique() == 1
    assert frame["start_offset"].to_list() == ["unknown", "unknown"]
    assert frame["flags"].to_list() == ["start_offset_unknown"] * 2


@pytest.mark.parametrize(
    "other",
    [
        {"test": "squat_jump"},
        {"leg": "left"},
        {"leg": None},
        {"hands": "free"},
        {"added_load_kg": 20.0},
        {"device": "device-2"},
        {"method_version": "2"},
    ],
)
@pytest.mark.mode(33, 37, 43)
def test_series_are_never_mixed(other: dict[str, object]) -> None:
    assert jumps(jump(), jump(**other))["series_id"].n_unique() == 2


def test_a_device_without_a_method_is_its_own() -> None:
    assert jumps(jump(), jump(device="device-2"))["method"].to_list() == ["mat by switch", "device-2"]


def test_a_load_in_pounds_is_the_same_series_as_in_kilograms() -> None:
    # The international pound is 0.45359237 kg exactly (1959 agreement): 50 lb = 22.6796185 kg.
    frame = jumps(jump(added_load_kg=50 * 0.45359237), jump(added_load_kg=22.680))
    assert frame["added_load"].to_list() == ["22.68 kg", "22.68 kg"]


def test_sides_are_paired_and_swapping_them_swaps_the_series() -> None:
    plain = jumps(jump(leg="left", flight_time_s=0.4), jump(leg="right", flight_time_s=0.45), jump())
    mirrored = jumps(jump(leg="right", flight_time_s=0.4), jump(leg="left", flight_time_s=0.45), jump())
    assert plain["body_side"].to_list() == ["left", "right", "both"]
    assert plain["pair_id"][0] == plain["pair_id"][1]
    assert plain["pair_id"][2] is None
    assert mirrored["pair_id"].to_list() == plain["pair_id"].to_list()
    assert mirrored["series_id"].to_list() == [
        plain["series_id"][1],
        plain["series_id"][0],
        plain["series_id"][2],
    ]


@pytest.mark.mode(27)
def test_outside_the_hard_limits_no_value_is_made() -> None:
    row = sprints(*run((10, 1.2))).row(0, named=True)
    assert (row["value"], row["used"], row["flags"], row["standard_error"]) == (
        None,
        False,
        "range_hard",
        None,
    )
    assert row["why_not_used"] == "Outside what is possible for this quantity, so no value is used."


def test_outside_the_soft_limits_the_value_is_used() -> None:
    row = sprints(*run((10, 3.0))).row(0, named=True)
    assert (row["value"], row["used"], row["flags"], row["why_not_used"]) == (3.0, True, "range_soft", None)


def test_limits_belong_to_the_series_they_name() -> None:
    assert sprints(*run((12, 3.0)))["flags"].to_list() == [None]


@pytest.mark.parametrize(
    ("value", "flags"), [(1.35, "range_soft"), (1.5, None), (2.6, None), (4.0, "range_soft")]
)
def test_limits_include_their_ends(value: float, flags: str | None) -> None:
    row = sprints(*run((10, value))).row(0, named=True)
    assert (row["value"], row["flags"]) == (value, flags)


def test_the_first_limits_that_match_hold_and_a_facility_may_change_them() -> None:
    def limits(soft: tuple[float, float]) -> Limits:
        return Limits(when={"distance": "10 m"}, hard=(1.0, 5.0), soft=soft)

    own = CATALOGUE["sprint_time"].model_copy(update={"limits": (limits((1.0, 3.5)), limits((1.0, 1.1)))})
    splits = trial_rows("sprint_splits", *run((10, 3.0)))
    tables = measured({"sprint_splits": splits}, {**CATALOGUE, "sprint_time": own})
    assert tables["measurements"].filter(pl.col("metric") == "sprint_time")["flags"].to_list() == [None]


@pytest.mark.parametrize(
    ("age", "flagged"),
    [
        (None, [True, False, False]),  # not known: as of adults
        (18.0, [True, False, False]),
        (17.9, [False, False, True]),
    ],
)
def test_youths_have_soft_limits_of_their_own(age: float | None, flagged: list[bool]) -> None:
    pushes = [{"direction": "flexion", "trial": n, "peak_force_n": f} for n, f in enumerate((30, 200, 300.0))]
    # One leg has limits of its own, at every age.
    trials = {
        "neck_trials": trial_rows("neck_trials", *pushes),
        "jump_trials": trial_rows("jump_trials", jump(leg="left", flight_time_s=0.19)),
    }
    sessions = sessions_of(*trials.values(), age_years=age)
    made = measure_all(trials, sessions, CATALOGUE, {})["measurements"].sort("metric", "trial")
    soft = pl.col("flags").str.contains("range_soft").fill_null(False)
    for metric, wanted in (("neck_force", flagged), ("jump_height", [False]), ("flight_time", [True])):
        assert made.filter(metric=metric).select(soft).to_series().to_list() == wanted


@pytest.mark.mode(25)
def test_excluded_values_are_kept_with_their_reasons() -> None:
    row = jumps(jump(mark="failed", flags="identity_suspect_note;warm_up")).row(0, named=True)
    assert row["value"] == pytest.approx(44.13, abs=0.005)
    assert row["used"] is False
    assert row["why_not_used"] == f"{CODES['failed'].sentence} {CODES['warm_up'].sentence}"


def test_the_borrowed_error_is_a_share_of_the_value() -> None:
    share = CATALOGUE["jump_height"].typical_error
    row = jumps(jump()).row(0, named=True)
    assert share is not None and share.trial is not None
    assert row["standard_error"] == pytest.approx(row["value"] * share.trial / 100)


def test_one_row_or_several_stand_behind_a_measurement() -> None:
    tables = measured(EVERYTHING)
    several = set(tables["measurement_inputs"]["measurement_id"])
    lone = tables["measurements"].filter(pl.col("row_id").is_not_null())
    assert several.isdisjoint(lone["measurement_id"])
    assert several | set(lone["measurement_id"]) == set(tables["measurements"]["measurement_id"])
    height = tables["measurements"].filter(
        (pl.col("metric") == "jump_height") & (pl.col("row_id") == "jump_trials-0")
    )
    assert height["measurement_id"].item() == text_id("jump_height|jump_trials-0")


def test_long_flags_say_what_the_flags_columns_say() -> None:
    tables = measured(EVERYTHING)
    owners = {**{name: (frame, "row_id") for name, frame in flag_trials(EVERYTHING).items()}}
    owners["measurements"] = (tables["measurements"], "measurement_id")
    expected = {
        (name, owner, code)
        for name, (frame, key) in owners.items()
        for owner, flags in frame.select(key, "flags").iter_rows()
        for code in (flags or "").split(";")
        if code
    }
    assert set(tables["value_flags"].iter_rows()) == expected
    assert ("sprint_splits", "run-20", "split_not_rising") in expected


def test_flagging_twice_changes_nothing() -> None:
    once = flag_trials(EVERYTHING)
    for name, frame in flag_trials(EVERYTHING | once).items():
        assert_frame_equal(frame, once[name])


def test_a_flying_ten_metres_is_judged_by_its_speed_and_not_as_a_standing_start() -> None:
    limits = CATALOGUE["sprint_time"].limits
    flying = next(entry for entry in limits if entry.when.get("test") == "flying_sprint")
    assert flying.when["distance"] == "10 m"
    # The same bound as between two gates: 12.6 m/s (methods, B3).
    assert flying.hard[0] == pytest.approx(10 / CATALOGUE["interval_speed"].hard[1], abs=0.005)
    assert all("test" in entry.when for entry in limits)

"""Screening against planted truth: what share of each fault is found, and how often nothing is taken for one.

The figures are printed (`pytest -s`); the bounds below are what they must keep.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Callable

import polars as pl
import pytest
from polars.testing import assert_frame_equal

from pipeline.analysis.screening.levels import OWN_CODES
from pipeline.analysis.screening.screening import Known, nothing_known, screen
from schemas.catalogue import CATALOGUE
from schemas.codes import EXCLUDING
from tests.analysis.screening.simulated import (
    ATHLETES,
    FIRST_DAY,
    VISITS,
    Row,
    clean,
    flagged,
    hall,
    levels,
    name,
    places,
    planted,
    screened,
)

SEEDS = (1, 2, 3)
VISIT_COUNT = len(SEEDS) * ATHLETES * VISITS


def is_counter(row: Row) -> bool:
    return row.get("test") == "countermovement_jump" and row["leg"] == "both"


def warm(row: Row) -> Row:
    return row | {"height_m": row["height_m"] * 0.80} if is_counter(row) and row["trial"] == 1 else row


def bent(row: Row) -> Row:
    return row | {"height_m": row["height_m"] * 1.30} if is_counter(row) and row["trial"] == 1 else row


def arms(row: Row) -> Row:
    return row | {"height_m": row["height_m"] * 1.27} if "height_m" in row else row


def pounds(row: Row) -> Row:
    return row | {"value": row["value"] * 2.20462262} if row["table"] == "body_readings" else row


def kilograms_read_as_pounds(row: Row) -> Row:
    return row | {"value": row["value"] / 2.20462262} if row["table"] == "body_readings" else row


def mixed_up(row: Row) -> Row:
    """Squat jumps filed as countermovement jumps, and the reverse."""
    if row["table"] != "jump_trials" or row["leg"] != "both":
        return row
    other = {"squat_jump": "countermovement_jump", "countermovement_jump": "squat_jump"}
    return row | {"test": other[row["test"]]}


def half(row: Row) -> Row:
    if row["table"] == "bar_reps" and row["rep"] == 2:
        return row | {"range_of_motion_m": row["range_of_motion_m"] * 0.5}
    return row


# Code, the fault, the least share that must be found.
FAULTS: dict[str, tuple[str, Callable[[Row], Row], float]] = {
    "mass in pounds": ("unit_suspect", pounds, 1.0),
    "mass divided by 2.2": ("unit_suspect", kilograms_read_as_pounds, 1.0),
    "a first jump at 80 %": ("warm_up", warm, 0.85),
    "a landing that adds 30 %": ("landing_suspect", bent, 0.7),
    "arms swung (+27 %)": ("protocol_suspect", arms, 0.85),
    "squat and countermovement mixed up": ("test_suspect", mixed_up, 0.5),
    "half a repetition": ("partial_repetition", half, 1.0),
}


@pytest.mark.parametrize("fault", FAULTS)
@pytest.mark.mode(7, 22, 23, 28, 29, 45)
def test_planted_faults_are_found(fault: str) -> None:
    code, change, least = FAULTS[fault]
    found = asked = others = 0
    for seed in SEEDS:
        where = places(seed, 15)
        seen = flagged(screened(planted(hall(seed), where, change)), code)
        found += len(where & seen)
        others += len(seen - where)
        asked += len(where)
    print(f"\n{fault}: {code} at {found} of {asked}; elsewhere {others} of {VISIT_COUNT - asked} visits")
    assert found >= least * asked
    assert others <= 0.01 * (VISIT_COUNT - asked)


@pytest.mark.parametrize("code", [*OWN_CODES, "warm_up"])
def test_undamaged_data_are_left_alone(code: str) -> None:
    """Of 960 undamaged visits at most 1 % carry a code, and none of the two that ask."""
    false = sum(len(flagged(clean(seed), code)) for seed in SEEDS)
    print(f"\n{code}: {false} of {VISIT_COUNT} undamaged visits ({false / VISIT_COUNT:.2%})")
    assert false <= 0.01 * VISIT_COUNT
    if code in ("identity_suspect", "unit_suspect"):
        assert false == 0


def previous_still_selected(seed: int, where: set[tuple[str, dt.date]]) -> list[Row]:
    """The next athlete's jumps are filed under the one before, as trials that go on counting."""
    filed = {(name(int(who[1:]) + 1), day): who for who, day in where}

    def change(row: Row) -> Row:
        if row["table"] != "jump_trials":
            return row
        return row | {"athlete_id": filed[row["athlete_id"], row["day"]], "trial": row["trial"] + 10}

    return planted(hall(seed), set(filed), change)


@pytest.mark.mode(4)
def test_trials_of_the_next_athlete_are_found_where_the_two_differ_enough() -> None:
    """Two who jump alike can't be told apart, and a mix-up of them does little harm; so by how much they
    differ."""
    by_gap: dict[str, list[bool]] = {"under 15 %": [], "15 to 30 %": [], "over 30 %": []}
    wrong_rows = wrongly = 0
    for seed in SEEDS:
        able = levels(seed)
        where = places(seed, 15)
        # The one who is filed otherwise has no trial of that day left: the level has to be known from others.
        result = screened(previous_still_selected(seed, where), expected_of(where))
        seen = flagged(result, "identity_suspect")
        for who, day in where:
            number = int(who[1:])
            gap = abs(able[number + 1].jump_m / able[number].jump_m - 1)
            band = "under 15 %" if gap < 0.15 else "15 to 30 %" if gap < 0.30 else "over 30 %"
            by_gap[band].append((who, day) in seen)
        rows = result["jump_trials"].join(
            result["value_flags"].filter(pl.col("code") == "identity_suspect"),
            left_on="row_id",
            right_on="owner_id",
            how="semi",
        )
        wrong_rows += rows.height
        wrongly += rows.filter(pl.col("trial") < 10).height
        assert not seen - where
    for band, found in by_gap.items():
        print(f"\ntrials of the next athlete, jump levels {band} apart: {sum(found)} of {len(found)} found")
    print(f"own trials taken out with them: {wrongly} of {wrong_rows} rows")
    assert sum(by_gap["over 30 %"]) >= 0.9 * len(by_gap["over 30 %"]) > 0
    assert wrongly <= 0.02 * wrong_rows


def expected_of(where: set[tuple[str, dt.date]]) -> Known:
    """The plan of those days: everybody."""
    days = sorted({day for _, day in where})
    people = [(name(number), day) for day in days for number in range(ATHLETES)]
    schema = {"athlete_id": pl.String, "local_date": pl.Date}
    known = nothing_known()
    return Known(pl.DataFrame(people, schema=schema, orient="row"), known.absent, known.settled, [])


def test_two_athletes_under_each_others_name() -> None:
    """Without any plan: each is near the one before or after."""
    found = asked = 0
    for seed in SEEDS:
        able = levels(seed)
        gaps = {n: abs(able[n].jump_m / able[n + 1].jump_m - 1) for n in range(0, ATHLETES, 2)}
        pairs = [(name(n), name(n + 1)) for n, gap in gaps.items() if gap > 0.3]
        day = FIRST_DAY + dt.timedelta(days=14 * 5)
        other = dict(pairs) | {b: a for a, b in pairs}

        def swap(row: Row, other: dict[str, str] = other) -> Row:
            return row | {"athlete_id": other[row["athlete_id"]]} if row["table"] == "jump_trials" else row

        where = {(who, day) for who in other}
        seen = flagged(screened(planted(hall(seed), where, swap)), "identity_suspect")
        found, asked = found + len(seen & where), asked + len(where)
        assert not seen - where
    print(f"\nnames exchanged, levels over 30 % apart: {found} of {asked} found")
    assert asked > 10 and found >= 0.9 * asked


@pytest.mark.mode(4)
def test_whoever_was_away_has_no_trials() -> None:
    rows = hall(1)
    away = pl.DataFrame({"athlete_id": ["a07"], "local_date": [FIRST_DAY]})
    known = nothing_known()
    result = screened(rows, Known(known.expected, away, known.settled, []))
    assert flagged(result, "identity_suspect") == {("a07", FIRST_DAY)}
    flags = result["value_flags"].filter(pl.col("code") == "identity_suspect")
    own = [row for row in rows if (row["athlete_id"], row["day"]) == ("a07", FIRST_DAY)]
    assert set(flags.filter(pl.col("owner_table") != "measurements")["owner_id"]) == {
        r["row_id"] for r in own
    }


def wet(row: Row) -> Row:
    return row | {"height_m": row["height_m"] * 1.10} if "height_m" in row else row


def knocked(row: Row) -> Row:
    """The gate of 30 m stands at 29 m."""
    if row.get("distance_m") != 30.0:
        return row
    speed = 10 / (4.35 - 3.15)
    return row | {"split_time_s": row["split_time_s"] - 1 / speed}


@pytest.mark.parametrize(("fault", "metric"), [(wet, "jump_height"), (knocked, "interval_speed")])
@pytest.mark.mode(30, 36, 21)
def test_a_day_on_which_all_moved_is_told_from_one_on_which_one_did(
    fault: Callable[[Row], Row], metric: str
) -> None:
    days = [FIRST_DAY + dt.timedelta(days=14 * visit) for visit in (3, VISITS - 1)]
    found = 0
    for seed in SEEDS:
        for day in days:
            where = {(name(number), day) for number in range(ATHLETES)}
            seen = flagged(screened(planted(hall(seed), where, fault)), "session_shift")
            found += {when for _, when in seen} == {day}
    print(f"\n{fault.__name__}: {found} of {len(SEEDS) * len(days)} days found, and no other day")
    assert found >= 0.8 * len(SEEDS) * len(days)
    one = {(name(3), days[1])}
    assert flagged(screened(planted(hall(1), one, fault)), "session_shift") == set()


def test_a_shifted_day_is_no_reason_to_doubt_who_anybody_is() -> None:
    day = FIRST_DAY + dt.timedelta(days=14 * 5)
    everybody = {(name(number), day) for number in range(ATHLETES)}
    moved = planted(hall(2), everybody, lambda row: wet(wet(wet(row))))
    assert flagged(screened(moved), "identity_suspect") == set()


def test_three_athletes_say_nothing_of_a_day() -> None:
    day = FIRST_DAY + dt.timedelta(days=14 * 5)
    for athletes, told in ((3, False), (6, True)):
        rows = planted(hall(4, athletes), {(name(number), day) for number in range(athletes)}, wet)
        assert bool(flagged(screened(rows), "session_shift")) == told


@pytest.mark.mode(22, 53)
def test_sides_that_changed_places_are_seen_where_they_differ() -> None:
    day = FIRST_DAY + dt.timedelta(days=14 * 5)

    def swap(row: Row) -> Row:
        turned = {"left": "right", "right": "left"}
        return row | {"leg": turned.get(row["leg"], row["leg"])} if "leg" in row else row

    found = asked = 0
    for seed in SEEDS:
        uneven = [number for number, one in enumerate(levels(seed)) if abs(one.left_share - 1) > 0.14]
        where = {(name(number), day) for number in uneven}
        seen = flagged(screened(planted(hall(seed), where, swap)), "test_suspect")
        found, asked = found + len(seen & where), asked + len(where)
        assert not seen - where
    print(f"\nsides swapped, over 14 % apart: {found} of {asked} found")
    assert asked >= 5 and found >= 0.8 * asked


@pytest.mark.mode(7, 54)
def test_one_value_is_converted_as_proposed() -> None:
    where = {(name(7), FIRST_DAY + dt.timedelta(days=14 * 5))}
    rows = planted(hall(1), where, pounds)
    true = next(r["value"] for r in hall(1) if (r["athlete_id"], r["day"]) in where and "value" in r)
    asked = screened(rows)["_suspects"].row(0, named=True)
    assert (asked["code"], asked["test"], asked["field"]) == ("unit_suspect", "mass", "value")
    assert asked["proposed"] == pytest.approx(true) and asked["complete"]


# Laws


def test_the_order_of_rows_changes_nothing() -> None:
    rows = previous_still_selected(1, places(1, 15))
    result = screened(rows)
    tables = {key: frame.sample(fraction=1.0, shuffle=True, seed=3) for key, frame in result.items()}
    again = screen(tables, CATALOGUE, nothing_known())
    assert not result["_suspects"].is_empty()
    for key, frame in again.items():
        assert_frame_equal(frame, result[key])


def test_others_on_other_days_and_devices_change_nothing() -> None:
    """Beside neighbours and the day's company nobody enters: half of the people on a device of their own."""
    rows = previous_still_selected(1, places(1, 15))
    alone = screened(rows)
    far = [
        row
        | {key: f"other-{row[key]}" for key in ("athlete_id", "trial_id", "row_id", "device")}
        | {"height_m": row.get("height_m", 1) * 1.5}
        for row in hall(9)
        if row["table"] == "jump_trials"
    ]
    both = screened([*rows, *far])
    mine = ~pl.col("measurement_id").is_in(
        both["measurements"]
        .filter(pl.col("athlete_id").str.starts_with("other-"))["measurement_id"]
        .implode()
    )
    # Noise of trials is pooled over people: whoever jumps twice adds to what is known of it.
    told = pl.exclude("session_id", "standard_error")
    assert_frame_equal(both["measurements"].filter(mine).select(told), alone["measurements"].select(told))


def test_a_code_that_excludes_takes_the_value_out_and_the_others_do_not() -> None:
    result = screened(planted(hall(1), places(1, 15), lambda row: half(pounds(arms(row)))))
    codes = set()
    for flags, used in result["measurements"].select("flags", "used").iter_rows():
        own = set((flags or "").split(";"))
        codes |= own & set(OWN_CODES)
        assert used == (not own & EXCLUDING)
    assert {"unit_suspect", "partial_repetition", "protocol_suspect"} <= codes

"""What trials say of those that are not there, of masses that jump, and of sets with another range."""

from __future__ import annotations

import datetime as dt

import pytest

from tests.analysis.screening.simulated import FIRST_DAY, Row, flagged, hall, planted, screened

DAY = FIRST_DAY + dt.timedelta(days=14 * 5)
WHERE = {("a07", DAY)}
_FEW = 10


def rows_of(change: object) -> list[Row]:
    return planted(hall(5, _FEW), WHERE, change)  # type: ignore[arg-type]


@pytest.mark.mode(26)
def test_a_gap_in_the_numbers_is_told_on_the_trial_after_it() -> None:
    def without_the_second(row: Row) -> Row | None:
        return None if row["table"] == "sprint_splits" and row["trial"] == 1 else row

    def third(row: Row) -> Row:
        return row | {"trial": 3} if row["table"] == "sprint_splits" and row["trial"] == 2 else row

    result = screened(rows_of(third))
    assert flagged(result, "trial_missing") == WHERE
    told = result["value_flags"].filter(code="trial_missing", owner_table="sprint_splits")
    assert set(told["owner_id"]) == {
        f"a07-{DAY}-sprint_splits-run2-{distance:.1f}" for distance in (10, 20, 30)
    }
    # A device that counts on over people begins anywhere.
    assert flagged(screened(rows_of(without_the_second)), "trial_missing") == set()


@pytest.mark.mode(6, 51)
@pytest.mark.parametrize(
    ("days", "share", "told"), [(6, 1.04, True), (6, 1.02, False), (14, 1.04, False), (14, 1.09, True)]
)
def test_a_mass_far_from_the_last_one_is_told(days: int, share: float, told: bool) -> None:
    last = {
        row["athlete_id"]: row["value"]
        for row in hall(5, _FEW)
        if row["table"] == "body_readings" and row["day"] == FIRST_DAY + dt.timedelta(days=14 * 4)
    }
    day = FIRST_DAY + dt.timedelta(days=14 * 4 + days)

    def typed(row: Row) -> Row:
        return row | {"value": last["a07"] * share, "day": day} if row["table"] == "body_readings" else row

    seen = flagged(screened(rows_of(typed)), "mass_jump")
    assert seen == ({("a07", day)} if told else set())


@pytest.mark.mode(44)
def test_a_set_over_another_range_than_usual_is_told_and_counts_on() -> None:
    def askew(row: Row) -> Row:
        if row["table"] != "bar_reps":
            return row
        return row | {"range_of_motion_m": row["range_of_motion_m"] * 1.2}

    result = screened(rows_of(askew))
    assert flagged(result, "range_changed") == WHERE
    values = result["measurements"].filter(metric="bar_mean_velocity", athlete_id="a07", local_date=DAY)
    assert values["used"].all() and values.height == 3

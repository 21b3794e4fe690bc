"""A rotation needs a torque, every other direction a force."""

import polars as pl
import pytest

from pipeline.intake.families.neck_dynamometer import check

SCHEMA = {
    "line": pl.Int32,
    "direction": pl.String,
    "peak_force_n": pl.Float64,
    "peak_torque_n_m": pl.Float64,
    "lever_arm_m": pl.Float64,
}


def problems(
    direction: str | None, force: float | None, torque: float | None, arm: float | None
) -> list[str]:
    rows = pl.DataFrame([(7, direction, force, torque, arm)], schema=SCHEMA, orient="row")
    checked, found = check(rows)
    assert checked.equals(rows)
    assert found["code"].to_list() == ["missing_value"] * found.height
    assert found["line"].to_list() == [7] * found.height
    return found["field"].to_list()


@pytest.mark.parametrize(
    ("direction", "force", "torque", "arm", "lacks"),
    [
        ("flexion", 120.0, None, None, []),
        ("left", None, 9.0, 0.1, ["peak_force_n"]),
        ("rotation_left", None, 9.0, None, []),
        ("rotation_left", 90.0, None, 0.1, []),
        ("rotation_right", 90.0, None, None, ["peak_torque_n_m"]),
        ("rotation_right", None, None, 0.1, ["peak_torque_n_m"]),
        (None, None, None, None, []),  # a missing direction is said by itself
    ],
)
def test_what_each_direction_is_measured_by(
    direction: str | None, force: float | None, torque: float | None, arm: float | None, lacks: list[str]
) -> None:
    assert problems(direction, force, torque, arm) == lacks


def test_a_cell_that_is_no_number_is_not_called_empty() -> None:
    texts = {"text:peak_force_n": pl.String}
    rows = pl.DataFrame([(7, "left", None, None, None, "12O")], schema=SCHEMA | texts, orient="row")
    assert check(rows)[1].is_empty()

"""The one convention for left against right."""

import polars as pl
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from pipeline.numerics.sides import side_difference

FORCE = st.floats(min_value=5.0, max_value=900.0)


def difference(right: float | None, left: float | None) -> float | None:
    sides = pl.DataFrame({"right": [right], "left": [left]}, schema={"right": pl.Float64, "left": pl.Float64})
    value: float | None = sides.select(side_difference(pl.col("right"), pl.col("left"))).item()
    return value


def test_the_stronger_side_is_the_whole() -> None:
    # By arithmetic from 100 (right - left) / max(right, left), this house's convention.
    assert difference(200.0, 150.0) == 25.0
    assert difference(150.0, 200.0) == -25.0
    assert difference(None, 200.0) is None
    assert difference(200.0, None) is None


@settings(deadline=None)
@given(FORCE, FORCE)
def test_swapping_the_sides_flips_the_sign(right: float, left: float) -> None:
    one, other = difference(right, left), difference(left, right)
    assert one == pytest.approx(-other)
    assert -100 < one < 100
    assert (one > 0) == (right > left)


@settings(deadline=None)
@given(FORCE, FORCE, st.floats(min_value=0.1, max_value=10.0))
def test_it_has_no_unit(right: float, left: float, factor: float) -> None:
    assert difference(factor * right, factor * left) == pytest.approx(difference(right, left), abs=1e-9)

"""Technical error: published duplicates, its relation to the typical error, and what may not matter."""

import math

import polars as pl
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from pipeline.numerics.repeats import squares_within, technical_error
from tests.reference.peak_flow import load_peak_flow

READING = st.floats(min_value=2.0, max_value=80.0)


def error_of(*things: tuple[float, ...]) -> float:
    rows = pl.DataFrame(
        [(thing, reading) for thing, readings in enumerate(things) for reading in readings],
        schema={"thing": pl.Int64, "reading": pl.Float64},
        orient="row",
    )
    within = rows.group_by("thing").agg(squares=squares_within(pl.col("reading")), degrees=pl.len() - 1)
    value: float = within.select(technical_error(pl.col("squares").sum(), pl.col("degrees").sum())).item()
    return value


@pytest.mark.parametrize(("meter", "expected"), [("wright", 15.306669), ("mini", 19.910831)])
def test_duplicates_of_two_peak_flow_meters(meter: str, expected: float) -> None:
    # Data of Bland & Altman 1986; sqrt(sum d² / (2 n)) as Ulijaszek & Kerr 1999 define it.
    pairs = load_peak_flow().select(f"{meter}1", f"{meter}2").rows()
    assert error_of(*pairs) == pytest.approx(expected, abs=1e-6)


@pytest.mark.parametrize(("meter", "expected"), [("wright", 15.36), ("mini", 20.42)])
def test_it_is_not_the_typical_error(meter: str, expected: float) -> None:
    # The same data: SD(d) / sqrt(2) takes the mean difference out. TEM² = TE² (n - 1) / n + mean(d)² / 2.
    flows = load_peak_flow()
    difference = flows[f"{meter}1"] - flows[f"{meter}2"]
    n, typical = len(difference), difference.std() / math.sqrt(2)
    assert typical == pytest.approx(expected, abs=0.005)
    identity = typical**2 * (n - 1) / n + difference.mean() ** 2 / 2
    assert error_of(*flows.select(f"{meter}1", f"{meter}2").rows()) ** 2 == pytest.approx(identity)


@pytest.mark.parametrize(
    ("readings", "sd"), [((190.0, 220.0, 200.0, 200.0), 12.58), ((270.0, 250.0, 330.0, 370.0), 55.08)]
)
def test_four_readings_of_a_child(readings: tuple[float, ...], sd: float) -> None:
    # Bland & Altman, BMJ 1996;313:744, table 1 (two of the children whose rows were seen): SD as printed.
    assert error_of(readings) == pytest.approx(sd, abs=0.006)


@settings(deadline=None)
@given(st.lists(st.tuples(READING, READING), min_size=1, max_size=12))
def test_of_duplicates_it_is_the_root_of_the_mean_half_square(pairs: list[tuple[float, float]]) -> None:
    expected = math.sqrt(sum((a - b) ** 2 for a, b in pairs) / (2 * len(pairs)))
    assert error_of(*pairs) == pytest.approx(expected, abs=1e-9)


@settings(deadline=None)
@given(st.lists(READING, min_size=3, max_size=8))
def test_of_one_thing_it_is_the_sd_and_a_shift_leaves_it(readings: list[float]) -> None:
    sd = pl.Series(readings).std()
    assert error_of(tuple(readings)) == pytest.approx(sd, abs=1e-9)
    assert error_of(tuple(reading + 5 for reading in readings)) == pytest.approx(sd, abs=1e-9)

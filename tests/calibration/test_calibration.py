"""A small form of `make calibrate`: fixed seeds, so the same athletes every time."""

from __future__ import annotations

import polars as pl
import pytest

from tests.calibration.athletes import Cell
from tests.calibration.grid import FEW, MIXED, OURS, dominated, measure
from tests.calibration.picture import picture
from tests.calibration.report import report

FACILITIES, ATHLETES = 8, 60


@pytest.fixture(scope="module")
def measures() -> pl.DataFrame:
    cells = (
        Cell("fortnightly, nobody changes", 2),
        Cell("4-weekly, drifts as modelled", 4, drift=1.5, fast_share=0.3),
        Cell("fortnightly, a third improve", 2, gains=MIXED, learning=(3.0, 1.0), outliers=0.02, missed=0.1),
        Cell("4-weekly, few improve", 4, gains=FEW),
    )
    found = [measure(cell, FACILITIES, ATHLETES, 100 + n) for n, cell in enumerate(cells)]
    return pl.concat(found, how="diagonal_relaxed")


def ours(measures: pl.DataFrame, cell: str) -> dict[str, float]:
    return measures.filter(pl.col("rule") == OURS, pl.col("cell").str.contains(cell)).row(0, named=True)


@pytest.mark.parametrize("cell", ["nobody", "third", "few"])
def test_who_stays_the_same_is_seldom_called_better(measures: pl.DataFrame, cell: str) -> None:
    """At most 5 % of athletes in 24 weeks of looks; 480 athletes leave a standard error of 1 %."""
    found = ours(measures, cell)
    assert found["false_better"] <= 0.05
    assert found["false_worse"] <= 0.06
    assert found["false_leaning"] <= 0.08
    others = measures.filter(pl.col("cell").str.contains(cell), pl.col("rule") != OURS)
    assert (others["false_better"] > found["false_better"]).all()


def test_intervals_hold_the_truth(measures: pl.DataFrame) -> None:
    """The generating model is the shipped one: a share of the athletes drifts at four times the speed."""
    assert 0.86 <= ours(measures, "as modelled")["coverage"] <= 0.94
    assert all(ours(measures, cell)["coverage"] >= 0.87 for cell in ("nobody", "third", "few"))


def test_who_improves_is_found(measures: pl.DataFrame) -> None:
    found = ours(measures, "third")
    powers = [found[f"power_{gain}"] for gain in (0.5, 1.0, 1.5, 2.0)]
    assert powers == sorted(powers)
    assert powers[1] >= 0.6 and powers[3] >= 0.95


def test_a_squad_that_stays_does_not_hide_the_few_who_improve(measures: pl.DataFrame) -> None:
    assert ours(measures, "few")["power_2.0"] >= 0.85


def test_no_simple_rule_is_better_on_both_counts(measures: pl.DataFrame) -> None:
    assert dominated(measures).is_empty()


def test_expected_false_calls_are_those_that_come(measures: pl.DataFrame) -> None:
    """New and standing calls where nobody changed, against what was published beside."""
    found = ours(measures, "nobody")
    for kind in ("new", "standing"):
        calls, expected = found[f"{kind}_calls"], found[f"expected_{kind}"]
        assert abs(calls - expected) <= 4 * max(expected, 4.0) ** 0.5 + 0.3 * expected


def test_the_page_and_the_picture_say_what_was_measured(measures: pl.DataFrame) -> None:
    page, drawn = report(measures), picture(measures)
    share = 100 * ours(measures, "few")["false_better"]
    assert f"{share:.1f}" in page and "4-weekly, few improve" in page
    assert (
        drawn.count("<circle")
        == 1 + measures.filter(pl.col("rule") == OURS, pl.col("power_1.0").is_not_null()).height
    )

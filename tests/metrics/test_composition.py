"""Density and fat are made of adults who asked for it, by their one equation, and of nobody else."""

from __future__ import annotations

from typing import Any

import polars as pl
import pytest

from pipeline.metrics.measurements import measure_all
from pipeline.metrics.skinfold_calipers import flag, measure
from pipeline.numerics.body_composition import siri_fat
from schemas.catalogue import CATALOGUE
from tests.metrics.trial_rows import sessions_of, trial_rows

MINE = ("body_density", "fat_percent")
SEVEN = ("chest", "midaxillary", "triceps", "subscapular", "abdomen", "suprailiac", "thigh")
ASKED = {"sex": "male", "age_years": 24.0, "equation": "seven_sites", "fat": "siri"}


def estimates(sites: tuple[str, ...] = SEVEN, mm: float = 90 / 7, **about: Any) -> pl.DataFrame:
    folds = [
        {"site": site, "reading": reading, "thickness_mm": mm, "measurer": "M1"}
        for site in sites
        for reading in (1, 2)
    ]
    trials = trial_rows("skinfold_readings", *folds)
    made = measure(flag(trials), sessions_of(trials, **{**ASKED, **about}))
    return made.filter(pl.col("metric").is_in(MINE)).sort("metric")


def test_an_adult_who_asked() -> None:
    # Seven folds of 90 mm, 24 years: 1.07038766 g/mL, 12.449 % (equation: Jackson & Pollock 1978).
    made = estimates()
    assert made["value"].to_list() == pytest.approx([1.07038766, 12.449], abs=5e-4)
    assert made["equation"].to_list() == ["seven_sites", "seven_sites, siri"]
    # The published error of the equation, 0.0078 g/mL, is 3.4 points of fat.
    assert made["standard_error"].to_list() == pytest.approx([0.0078, 3.37], abs=0.01)
    assert estimates(fat="brozek")["value"][1] == pytest.approx(12.748, abs=5e-4)


@pytest.mark.parametrize(
    "about", [{"equation": None, "fat": None}, {"age_years": 18.0}, {"age_years": 15.0}, {"age_years": None}]
)
def test_nobody_else(about: dict[str, Any]) -> None:
    assert estimates(**about).is_empty()


def test_only_the_sites_of_the_equation() -> None:
    assert estimates(("chest", "abdomen", "thigh")).is_empty()
    assert estimates(("chest", "abdomen", "thigh"), 15.0, equation="three_sites").height == 2
    assert estimates(("chest", "abdomen", "thigh"), 15.0, equation="three_sites", sex="female").is_empty()


@pytest.mark.parametrize("about", [{"age_years": 62.0}, {"mm": 57.0}])
def test_outside_the_equation_there_is_no_value(about: dict[str, Any]) -> None:
    made = estimates(**about)
    assert made["value"].to_list() == [None, None]
    assert made["flags"].to_list() == ["equation_outside"] * 2


def test_neither_is_ranked_nor_shown_to_coaches() -> None:
    for metric in (*MINE, "maturity_bin"):
        assert not CATALOGUE[metric].ranked
        assert not CATALOGUE[metric].coach
        assert CATALOGUE[metric].restricted_minors
        assert CATALOGUE[metric].better == "context"


def test_a_density_beyond_lean_gives_no_fat_and_is_never_clipped() -> None:
    """Case 182 of the body-fat data of 252 men (Johnson 1996, J Stat Educ 4(1)): a density of 1.1089 g/mL is
    -3.61 % by Siri's equation, where the authors wrote 0.0."""
    assert pl.select(siri_fat(pl.lit(1.1089))).item() == pytest.approx(-3.61, abs=0.005)
    low, _ = CATALOGUE["fat_percent"].hard
    assert low > 0
    # Thinner folds than any man has, by another equation: below the limit, so there is no value.
    rows = trial_rows(
        "skinfold_readings",
        *(
            {"site": site, "reading": 1, "thickness_mm": 2.0, "measurer": "M1"}
            for site in ("biceps", "triceps", "subscapular", "suprailiac")
        ),
    )
    asking = pl.DataFrame([{"athlete_id": "A1", "sex": "male", "equation": "four_sites", "fat": "siri"}])
    sessions = sessions_of(rows, age_years=19.0)
    made = measure_all({"skinfold_readings": rows}, sessions, CATALOGUE, {}, asking)
    (fat,) = made["measurements"].filter(metric="fat_percent").to_dicts()
    assert fat["value"] is None
    assert "range_hard" in fat["flags"]

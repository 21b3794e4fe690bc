"""Density and fat against published equations, a published look-up table and published pairs."""

from __future__ import annotations

from itertools import pairwise

import polars as pl
import pytest

from pipeline.numerics.body_composition import (
    EQUATIONS,
    LOG_EQUATIONS,
    brozek_fat,
    equation_density,
    four_site_density,
    siri_fat,
)


def number(expression: pl.Expr) -> float | None:
    found: float | None = pl.select(expression).item()
    return found


def density(name: str, sex: str, sum_mm: float, age: float) -> float | None:
    (equation,) = (one for one in EQUATIONS if (one.name, one.sex) == (name, sex))
    return number(equation_density(equation, pl.lit(sum_mm), pl.lit(age)))


def fat(value: float | None) -> float:
    assert value is not None
    found = number(siri_fat(pl.lit(value)))
    assert found is not None
    return found


@pytest.mark.parametrize(
    ("name", "sex", "sum_mm", "age", "g_ml", "percent"),
    [
        ("three_sites", "male", 45.0, 20.0, 1.0702705, 12.4999),
        ("three_sites", "male", 60.0, 30.0, 1.057816, 17.9453),
        ("seven_sites", "male", 90.0, 20.0, 1.0715407, 11.9517),
        ("seven_sites", "male", 120.0, 30.0, 1.0590734, 17.3897),
        ("three_sites", "female", 45.0, 20.0, 1.0566851, 18.4461),
        ("three_sites", "female", 60.0, 30.0, 1.0440221, 24.1279),
        ("seven_sites", "female", 90.0, 20.0, 1.0566965, 18.4410),
        ("seven_sites", "female", 120.0, 30.0, 1.0448504, 23.7520),
    ],
)
def test_the_parabolas(name: str, sex: str, sum_mm: float, age: float, g_ml: float, percent: float) -> None:
    # Jackson & Pollock 1978, Br J Nutr 40:497-504; Jackson, Pollock & Ward 1980, Med Sci Sports Exerc
    # 12:175-182. Coefficients seen in several reprints that agree (one misprints 1.0994291 for 1.0994921);
    # the arithmetic was computed apart from this code.
    found = density(name, sex, sum_mm, age)
    assert found == pytest.approx(g_ml, abs=1e-6)
    assert fat(found) == pytest.approx(percent, abs=1e-3)


@pytest.mark.parametrize(
    ("name", "sex", "turns_mm"),
    [
        ("three_sites", "male", 258.3),
        ("three_sites", "female", 215.8),
        ("seven_sites", "male", 395.4),
        ("seven_sites", "female", 419.4),
    ],
)
def test_a_parabola_is_refused_from_its_turning_point_on(name: str, sex: str, turns_mm: float) -> None:
    # Derived: -b / (2 c). Beyond it more folds would give less fat.
    (equation,) = (one for one in EQUATIONS if (one.name, one.sex) == (name, sex))
    assert equation.turning_mm == pytest.approx(turns_mm, abs=0.5)  # of the women's seven 419.36, seen 419
    assert density(name, sex, equation.turning_mm - 0.1, 30.0) is not None
    assert density(name, sex, equation.turning_mm, 30.0) is None
    assert density(name, sex, 60.0, 17.9) is None
    assert density(name, sex, 60.0, 62.0) is None


TABLE = {
    # Sums of biceps, triceps, subscapular and suprailiac of 20, 30, 40 and 50 mm, men: fat [%] as printed in
    # the look-up table of Durnin & Womersley 1974, Br J Nutr 32:77-97 (seen in a copy). The column 17-29 is
    # the mean of the two youngest equations.
    (18.5, 25.0): (8.1, 12.9, 16.4, 19.0),
    (35.0,): (12.2, 16.2, 19.2, 21.5),
    (45.0,): (12.2, 17.7, 21.4, 24.6),
    (60.0,): (12.6, 18.6, 22.9, 26.5),
}


@pytest.mark.parametrize("ages", TABLE)
def test_the_published_look_up_table(ages: tuple[float, ...]) -> None:
    for sum_mm, printed in zip((20.0, 30.0, 40.0, 50.0), TABLE[ages], strict=True):
        found = [fat(number(four_site_density(pl.lit("male"), pl.lit(sum_mm), pl.lit(age)))) for age in ages]
        assert sum(found) / len(found) == pytest.approx(printed, abs=0.25)


@pytest.mark.parametrize(("age", "percent"), [(25.0, 19.64), (35.0, 21.90), (45.0, 24.64)])
def test_four_sites_of_women(age: float, percent: float) -> None:
    # Same source; computed apart from this code: 30 mm.
    assert fat(number(four_site_density(pl.lit("female"), pl.lit(30.0), pl.lit(age)))) == pytest.approx(
        percent, abs=0.01
    )


def test_ages_of_the_four_site_equations_meet_and_end() -> None:
    for sex in ("male", "female"):
        spans = [one.ages for one in LOG_EQUATIONS if one.sex == sex]
        assert all(a[1] == b[0] for a, b in pairwise(spans))
        for outside in (17.9, spans[-1][1]):
            assert number(four_site_density(pl.lit(sex), pl.lit(40.0), pl.lit(outside))) is None


@pytest.mark.parametrize(
    ("g_ml", "siri", "brozek"),
    [
        (1.10, 0.0, 1.2545),
        (1.0719, 11.7968, 12.1457),
        (1.07, 12.6168, 12.9028),
        (1.05, 21.4286, 21.0381),
        (1.03, 30.5825, 29.4893),
        (0.90, 100.0, 93.578),
    ],
)
def test_fat_of_a_density(g_ml: float, siri: float, brozek: float) -> None:
    # Siri 1961 and Brozek 1963 (constants seen in copies). Siri's ends are derived: fat 0.900, lean 1.100.
    assert number(siri_fat(pl.lit(g_ml))) == pytest.approx(siri, abs=1e-4)
    assert number(brozek_fat(pl.lit(g_ml))) == pytest.approx(brozek, abs=5e-4)


@pytest.mark.parametrize(
    ("g_ml", "siri", "brozek"), [(1.0708, 12.3, 12.6), (1.0853, 6.1, 6.9), (1.0414, 25.3, 24.6)]
)
def test_the_first_men_of_a_published_data_set(g_ml: float, siri: float, brozek: float) -> None:
    # Densities by weighing under water and the fat the authors printed: Johnson 1996, J Stat Educ 4(1).
    assert number(siri_fat(pl.lit(g_ml))) == pytest.approx(siri, abs=0.06)
    assert number(brozek_fat(pl.lit(g_ml))) == pytest.approx(brozek, abs=0.06)

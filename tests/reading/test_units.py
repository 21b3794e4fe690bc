"""Units: exact by the legal definitions, and every unit of the fine print."""

from __future__ import annotations

from fractions import Fraction

import pytest

from pipeline.reading.units import (
    UNITS,
    base_unit,
    conversion,
    convertible,
    dimension,
    holds,
    is_told_by_row,
)

ALL_UNITS = "s min ms clock m km cm mm in ft ft_in yd m/s km/h mph kg g lb N kN kgf lbf N.m W deg % 1"

# International yard and pound agreement (1959); standard gravity: 3rd CGPM (1901). Both quoted in NIST SP 811
# (2008), appendix B.8, where the boldface (exact) factors are: in 2.54 E-02, ft 3.048 E-01, yd 9.144 E-01,
# mi/h 4.4704 E-01, lb 4.535 923 7 E-01, kgf 9.806 65, lbf 4.448 221 615 260 5, km/h 2.777 778 E-01 (1/3.6).
EXACT = {
    "in": "0.0254",
    "ft": "0.3048",
    "yd": "0.9144",
    "mph": "0.44704",
    "lb": "0.45359237",
    "kgf": "9.80665",
    "lbf": "4.4482216152605",
}


def test_units_are_those_of_the_fine_print() -> None:
    assert list(UNITS) == ALL_UNITS.split()


@pytest.mark.parametrize(("symbol", "factor"), EXACT.items())
def test_legal_definitions(symbol: str, factor: str) -> None:
    assert Fraction(UNITS[symbol].numerator, UNITS[symbol].denominator) == Fraction(factor)


def test_kilometre_per_hour() -> None:
    assert Fraction(UNITS["km/h"].numerator, UNITS["km/h"].denominator) == Fraction(10, 36)


def test_factors_are_exact_in_doubles() -> None:
    for unit in UNITS.values():
        assert 0 < unit.numerator < 2**53
        assert 0 < unit.denominator < 2**53


@pytest.mark.mode(54)
def test_convertible_is_to_a_plain_number_of_the_same_dimension() -> None:
    plain = UNITS.keys() - {"clock", "ft_in"}
    for symbol in UNITS:
        assert {to for to in UNITS if convertible(symbol, to)} == {
            to for to in plain if dimension(to) == dimension(symbol)
        }
    assert not convertible("stone", "kg")
    assert not convertible("kg", "stone")
    with pytest.raises(KeyError):
        dimension("stone")


def test_each_dimension_has_one_base_unit() -> None:
    bases = {"s", "m", "m/s", "kg", "N", "N.m", "W", "deg", "1"}
    assert {dimension(base) for base in bases} == {unit.dimension for unit in UNITS.values()}
    for symbol in UNITS:
        same = [base for base in bases if dimension(base) == dimension(symbol)]
        assert [conversion(symbol, base) for base in same] == [conversion(symbol)]


def test_conversions_between_other_units_are_exact() -> None:
    assert conversion("mm", "mm") == 1
    assert conversion("in", "mm") == Fraction("25.4")
    assert conversion("1", "%") == 100
    with pytest.raises(ValueError, match="cannot be held"):
        conversion("kg", "mm")


def test_the_base_unit_of_a_dimension_is_what_its_values_are_held_in() -> None:
    for symbol in UNITS:
        base = base_unit(dimension(symbol))
        assert conversion(base) == 1 and UNITS[base].written == "number"
        assert conversion(symbol, base) == conversion(symbol)
    with pytest.raises(KeyError):
        base_unit("smell")


def test_what_a_field_can_hold() -> None:
    assert {unit for unit in UNITS if holds("kg or m", unit)} == {
        unit for unit in UNITS if dimension(unit) in ("mass", "length")
    }
    assert {unit for unit in UNITS if holds("any", unit)} == set(UNITS)
    assert not holds("any", "stone") and not holds("s", "kg")
    assert [is_told_by_row(unit) for unit in ("any", "kg or m", "kg")] == [True, True, False]

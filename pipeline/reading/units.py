"""Units an export may be written in, each with an exact rational to the unit the warehouse holds.

Inch, foot, yard, mile and pound: the international yard and pound agreement of 1959 (1 yd = 0.9144 m,
1 lb = 0.453 592 37 kg exactly), as in NIST SP 811 (2008), appendix B. Standard gravity 9.806 65 m/s2:
3rd CGPM 1901, ISO 80000-3; kgf and lbf are the kilogram and the pound times it. All others are SI (ISO 80000)
or ratios of whole numbers. Angles are held in degrees.
"""

from __future__ import annotations

from dataclasses import dataclass
from fractions import Fraction
from typing import Literal

_INCH = Fraction(254, 10_000)
_FOOT = 12 * _INCH
_POUND = Fraction(45_359_237, 100_000_000)
_GRAVITY = Fraction(980_665, 100_000)


@dataclass(frozen=True)
class Unit:
    """A unit: `value * numerator / denominator` (in this order) is the value in the dimension's base unit.

    Both are whole numbers below 2**53, so that 512 ms is exactly the double 0.512 s. `written` says how its
    values look: a number, a clock (6:42.3, base s) or feet and inches (5'11", base m).
    """

    symbol: str
    dimension: str
    numerator: int = 1
    denominator: int = 1
    written: Literal["number", "clock", "ft_in"] = "number"

    @property
    def factor(self) -> Fraction:
        """What a value is multiplied by to be in the dimension's base unit."""
        return Fraction(self.numerator, self.denominator)


def _unit(symbol: str, dimension: str, factor: Fraction | int = 1) -> Unit:
    fraction = Fraction(factor)
    return Unit(symbol, dimension, fraction.numerator, fraction.denominator)


UNITS: dict[str, Unit] = {
    unit.symbol: unit
    for unit in (
        _unit("s", "time"),
        _unit("min", "time", 60),
        _unit("ms", "time", Fraction(1, 1000)),
        Unit("clock", "time", written="clock"),
        _unit("m", "length"),
        _unit("km", "length", 1000),
        _unit("cm", "length", Fraction(1, 100)),
        _unit("mm", "length", Fraction(1, 1000)),
        _unit("in", "length", _INCH),
        _unit("ft", "length", _FOOT),
        Unit("ft_in", "length", _INCH.numerator, _INCH.denominator, written="ft_in"),
        _unit("yd", "length", 3 * _FOOT),
        _unit("m/s", "speed"),
        _unit("km/h", "speed", Fraction(1000, 3600)),
        _unit("mph", "speed", 5280 * _FOOT / 3600),
        _unit("kg", "mass"),
        _unit("g", "mass", Fraction(1, 1000)),
        _unit("lb", "mass", _POUND),
        _unit("N", "force"),
        _unit("kN", "force", 1000),
        _unit("kgf", "force", _GRAVITY),
        _unit("lbf", "force", _POUND * _GRAVITY),
        _unit("N.m", "torque"),
        _unit("W", "power"),
        _unit("deg", "angle"),
        _unit("%", "ratio", Fraction(1, 100)),
        _unit("1", "ratio"),
    )
}


def dimension(unit: str) -> str:
    """The quantity of a unit (time, length, speed, mass, force, torque, power, angle, ratio), or KeyError."""
    return UNITS[unit].dimension


def convertible(unit: str, to: str) -> bool:
    """Whether values in `unit` can be held in `to`: of the same dimension, and written as a number."""
    if unit not in UNITS or to not in UNITS:
        return False
    return UNITS[to].written == "number" and UNITS[unit].dimension == UNITS[to].dimension


def holds(field_unit: str, unit: str) -> bool:
    """Whether a field can hold values written in `unit`: its unit is one, several (`kg or m`) or `any`."""
    if field_unit == "any":
        return unit in UNITS
    return any(convertible(unit, to) for to in field_unit.split(" or "))


def is_told_by_row(field_unit: str) -> bool:
    """Whether each row has a unit of its own beside the value, because the field's is not one unit."""
    return field_unit == "any" or " or " in field_unit


def base_unit(of_dimension: str) -> str:
    """The unit that values of a dimension are held in, such as m for length; KeyError where there is none."""
    bases = {
        unit.dimension: unit.symbol
        for unit in UNITS.values()
        if unit.written == "number" and unit.factor == 1
    }
    return bases[of_dimension]


def conversion(unit: str, to: str | None = None) -> Fraction:
    """What a value in `unit` is multiplied by to be in `to`, exactly; the base unit where `to` is None.

    Raises KeyError for an unknown unit, ValueError for units of two dimensions.
    """
    if to is None:
        return UNITS[unit].factor
    if not convertible(unit, to):
        raise ValueError(f"values in {unit} cannot be held in {to}")
    return UNITS[unit].factor / UNITS[to].factor

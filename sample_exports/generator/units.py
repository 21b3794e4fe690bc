"""Numbers as exports write them: SI -> text of a unit and back, exactly, with the step of the last digit."""

import re
from decimal import Decimal

# One of the unit in SI. Pound, inch, foot, yard: international yard and pound agreement of 1959, exact;
# kgf and lbf: times standard gravity, 9.80665 m/s2.
FACTORS = {
    "s": Decimal(1),
    "ms": Decimal("0.001"),
    "m": Decimal(1),
    "cm": Decimal("0.01"),
    "mm": Decimal("0.001"),
    "in": Decimal("0.0254"),
    "ft": Decimal("0.3048"),
    "yd": Decimal("0.9144"),
    "kg": Decimal(1),
    "g": Decimal("0.001"),
    "lb": Decimal("0.45359237"),
    "m/s": Decimal(1),
    "km/h": Decimal(1) / Decimal("3.6"),
    "deg": Decimal(1),
    "N": Decimal(1),
    "kgf": Decimal("9.80665"),
    "lbf": Decimal("4.4482216152605"),
    "N.m": Decimal(1),
}
_FEET_INCHES = re.compile(r"^(\d+)'(\d+(?:\.\d+)?)\"$")


def to_text(value: float, unit: str, decimals: int) -> str:
    """`value` [SI] as text in `unit`, `decimals` after the point; `ft_in` gives 5'11.4", `clock` 6:42.3."""
    if unit == "ft_in":
        inches = f"{value / float(FACTORS['in']):.{decimals}f}"
        feet, rest = divmod(Decimal(inches), 12)
        return f"{feet}'{rest:.{decimals}f}\""
    if unit == "clock":
        minutes, seconds = divmod(Decimal(f"{value:.{decimals}f}"), 60)
        return f"{minutes:.0f}:{seconds:0{decimals + 3 if decimals else 2}.{decimals}f}"
    return f"{value / float(FACTORS[unit]):.{decimals}f}"


def held_in(column: str) -> Decimal:
    """One of the unit that the warehouse holds a column in, in SI: a column `..._mm` holds millimetres."""
    return FACTORS["mm"] if column.endswith("_mm") else Decimal(1)


def from_text(text: str, unit: str, held: Decimal = Decimal(1)) -> float:
    """The exact value of what `to_text` wrote, in SI or as held. ValueError for malformed feet and inches."""
    if unit == "ft_in":
        found = _FEET_INCHES.match(text)
        if found is None:
            raise ValueError(f"not feet and inches: {text}")
        return float((Decimal(found[1]) * FACTORS["ft"] + Decimal(found[2]) * FACTORS["in"]) / held)
    if unit == "clock":
        minutes, _, seconds = text.partition(":")
        return float((60 * Decimal(minutes) + Decimal(seconds)) / held)
    return float(Decimal(text) * FACTORS[unit] / held)


def step(unit: str, decimals: int, held: Decimal = Decimal(1)) -> float:
    """What one in the last written digit is worth, in SI or as it is held."""
    last = {"ft_in": "in", "clock": "s"}.get(unit, unit)
    return float(FACTORS[last].scaleb(-decimals) / held)

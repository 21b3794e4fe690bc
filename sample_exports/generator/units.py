"""Numbers as exports write them: SI -> text of a unit and back, exactly, with the step of the last digit."""

import re
from decimal import Decimal

# One of the unit in SI. Pound, inch, foot, yard: international yard and pound agreement of 1959, exact.
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
}
_FEET_INCHES = re.compile(r"^(\d+)'(\d+(?:\.\d+)?)\"$")


def to_text(value: float, unit: str, decimals: int) -> str:
    """`value` [SI] as text in `unit` with `decimals` digits after the point; `ft_in` gives 5'11.4"."""
    if unit == "ft_in":
        inches = f"{value / float(FACTORS['in']):.{decimals}f}"
        feet, rest = divmod(Decimal(inches), 12)
        return f"{feet}'{rest:.{decimals}f}\""
    return f"{value / float(FACTORS[unit]):.{decimals}f}"


def from_text(text: str, unit: str) -> float:
    """The exact SI value of what `to_text` wrote. Raises ValueError for a malformed feet-and-inches text."""
    if unit == "ft_in":
        found = _FEET_INCHES.match(text)
        if found is None:
            raise ValueError(f"not feet and inches: {text}")
        return float(Decimal(found[1]) * FACTORS["ft"] + Decimal(found[2]) * FACTORS["in"])
    return float(Decimal(text) * FACTORS[unit])


def step(unit: str, decimals: int) -> float:
    """What one in the last written digit is worth [SI]."""
    return float(FACTORS["in" if unit == "ft_in" else unit].scaleb(-decimals))

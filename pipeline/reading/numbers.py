"""Text to numbers, as polars expressions that never guess: what is not wholly a number is null."""

from __future__ import annotations

import re
from fractions import Fraction

import polars as pl

from pipeline.reading.table import WHITESPACE
from pipeline.reading.units import UNITS, conversion

_SPACES = " \u00a0\u202f"  # space, no-break space, narrow no-break space: one thousands mark to a reader
_LARGEST_WHOLE = 2**53  # beyond it doubles skip whole numbers

# Apostrophes and quotes as typed, as a word processor turns them, and as primes. DECIMAL: see `_groups`.
_FOOT = r"(?:['\u{2019}\u{2032}]|ft|feet)"
_INCH = r"(?:[\x22\u{201d}\u{2033}]|''|\u{2019}\u{2019}|\u{2032}\u{2032}|in|inches)"
_INCHES = rf"(?P<inches>[0-9]|1[01])(?:DECIMAL(?P<decimals>[0-9]+))?\s*{_INCH}?"
_FEET_INCHES = rf"(?i)^(?P<feet>[0-9]{{1,9}})(?:\s*{_FOOT}|(?:\s*{_FOOT}\s*|-){_INCHES})$"
_CLOCK = (
    r"^(?:(?:(?P<hours>[0-9]{1,9}):(?P<minutes>[0-5][0-9])|(?P<only_minutes>[0-9]{1,9}))"
    r":(?P<seconds>[0-5][0-9])|(?P<only_seconds>[0-9]{1,9}))(?:DECIMAL(?P<decimals>[0-9]+))?$"
)


def parse_number(expr: pl.Expr, decimal: str = ".", thousands: str = "") -> pl.Expr:
    """Float64 of texts such as 1.234,5 (decimal ",", thousands "."); null where not wholly a number.

    Blanks around it are trimmed. With a thousands mark, marks stand between groups of exactly three digits
    or are left out; a group of zeros cannot lead (0.123 is no number where "." is the thousands mark). An
    exponent and a sign (also the minus sign U+2212) are allowed; inf, nan and what overflows are not.
    """
    text = expr.str.strip_chars(WHITESPACE)
    plain = text.str.replace("\u2212", "-", literal=True, n=2)
    if thousands:
        plain = plain.str.replace_all(_thousands_class(thousands), "")
    if decimal != ".":
        plain = plain.str.replace(decimal, ".", literal=True)
    value = plain.cast(pl.Float64, strict=False)
    return pl.when(text.str.contains(_number_pattern(decimal, thousands)) & value.is_finite()).then(value)


def parse_integer(expr: pl.Expr, decimal: str = ".", thousands: str = "") -> pl.Expr:
    """Int64 of texts that are whole numbers (also written 3.0); null for all others and beyond 2**53."""
    value = parse_number(expr, decimal, thousands)
    is_whole = (value == value.floor()) & (value.abs() <= _LARGEST_WHOLE)
    return pl.when(is_whole).then(value).cast(pl.Int64)


def parse_quantity(
    expr: pl.Expr, unit: str, decimal: str = ".", thousands: str = "", to: str | None = None
) -> pl.Expr:
    """Float64 of texts written in `unit`, held in `to` (default: its dimension's base unit); null else.

    `clock` takes 6:42.3, 1:02:03.4 and 42.3 (parts after a colon have two digits, below 60). `ft_in` takes
    5'11", 5' 11.5", 5 ft 11 in, 5-11 and 6' (inches below 12); a bare number is none.
    KeyError: unknown unit. ValueError: `to` is of another dimension.
    """
    known = UNITS[unit]
    if known.written == "clock":
        value = _parse_clock(expr, decimal)
    elif known.written == "ft_in":
        value = _parse_feet_inches(expr, decimal)
    else:
        value = parse_number(expr, decimal, thousands)
    return _scale(value, conversion(unit, to))


def quantum(expr: pl.Expr, decimal: str = ".", thousands: str = "") -> pl.Expr:
    """Float64 of the last place a number is written to: 0.01 for 1.23, 1 for 12, 10 for 1.2e2; null else."""
    text = expr.str.strip_chars(WHITESPACE)
    parts = text.str.extract_groups(
        rf"^[^eE{re.escape(decimal)}]*(?:{re.escape(decimal)}([0-9]*))?(?:[eE](.*))?$"
    )
    decimals = parts.struct.field("1").str.len_chars().fill_null(0).cast(pl.Int64)
    exponent = parts.struct.field("2").str.replace("\u2212", "-", literal=True).cast(pl.Int64, strict=False)
    place = pl.format("1e{}", exponent.fill_null(0) - decimals).cast(pl.Float64, strict=False)
    return pl.when(parse_number(expr, decimal, thousands).is_not_null()).then(place)


def _thousands_class(mark: str) -> str:
    return f"[{_SPACES}]" if mark in _SPACES else f"[{re.escape(mark)}]"


def _number_pattern(decimal: str, thousands: str) -> str:
    if len(decimal) != 1 or (thousands and len(thousands) != 1) or decimal == thousands:
        raise ValueError(f"decimal mark {decimal!r} and thousands mark {thousands!r} must be two characters")
    whole = "[0-9]+"
    if thousands:
        whole = rf"(?:[1-9][0-9]{{0,2}}(?:{_thousands_class(thousands)}[0-9]{{3}})+|[0-9]+)"
    mark = re.escape(decimal)
    return rf"^[+\-\u2212]?(?:{whole}(?:{mark}[0-9]*)?|{mark}[0-9]+)(?:[eE][+\-\u2212]?[0-9]+)?$"


def _scale(value: pl.Expr, factor: Fraction) -> pl.Expr:
    """A finite value times a factor, each of the two steps correctly rounded."""
    scaled = value if factor.numerator == 1 else value * float(factor.numerator)
    if factor.denominator == 1:
        return scaled
    # A column of divisors, made of the values: by one number (and by a literal for each row, where no row is
    # null) polars multiplies with its rounded reciprocal.
    return scaled / (value * 0 + float(factor.denominator))


def _parse_clock(expr: pl.Expr, decimal: str) -> pl.Expr:
    """Seconds of clock texts."""
    parts = _groups(expr, _CLOCK, decimal)
    minutes = pl.coalesce(_whole(parts, "minutes"), _whole(parts, "only_minutes")).fill_null(0)
    seconds = pl.coalesce(_whole(parts, "seconds"), _whole(parts, "only_seconds"))
    whole = _whole(parts, "hours").fill_null(0) * 3600 + minutes * 60 + seconds
    return _with_decimals(whole, parts.struct.field("decimals"))


def _parse_feet_inches(expr: pl.Expr, decimal: str) -> pl.Expr:
    """Inches of texts in feet and inches."""
    parts = _groups(expr, _FEET_INCHES, decimal)
    whole = _whole(parts, "feet") * 12 + _whole(parts, "inches").fill_null(0)
    return _with_decimals(whole, parts.struct.field("decimals"))


def _groups(expr: pl.Expr, pattern: str, decimal: str) -> pl.Expr:
    return expr.str.strip_chars(WHITESPACE).str.extract_groups(pattern.replace("DECIMAL", re.escape(decimal)))


def _whole(parts: pl.Expr, name: str) -> pl.Expr:
    return parts.struct.field(name).cast(pl.Int64, strict=False)


def _with_decimals(whole: pl.Expr, decimals: pl.Expr) -> pl.Expr:
    """The double nearest to whole.decimals: through text, so that 6:42.3 is exactly the double 402.3."""
    return pl.format("{}.{}", whole, decimals.fill_null("0")).cast(pl.Float64, strict=False)

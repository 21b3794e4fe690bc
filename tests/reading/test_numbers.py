"""Numbers: read exactly in their locale, and never guessed."""

from __future__ import annotations

from decimal import Decimal

import polars as pl
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from pipeline.reading.numbers import parse_integer, parse_number, parse_quantity, quantum
from pipeline.reading.units import UNITS

TEXT = pl.col("text")


def values(expr: pl.Expr, texts: list[str | None]) -> list[float | int | None]:
    frame = pl.DataFrame({"text": texts}, schema={"text": pl.String})
    return frame.select(value=expr)["value"].to_list()


def value(expr: pl.Expr, text: str) -> float | int | None:
    return values(expr, [text])[0]


@pytest.mark.parametrize(
    ("decimal", "thousands", "text", "expected"),
    [
        (".", "", " 1.85\t", 1.85),
        (".", "", "-.5", -0.5),
        (".", "", "5.", 5.0),
        (".", "", "+1e-3", 0.001),
        (".", "", "1E3", 1000.0),
        (".", "", "\u22127.5", -7.5),
        (".", "", "2e\u22122", 0.02),
        (".", "", "1,85", None),
        (".", "", "1,850", None),
        (".", ",", "1,850", 1850.0),
        (".", ",", "1,850,000.5", 1850000.5),
        (".", ",", "1850.5", 1850.5),
        (".", ",", "1,85", None),
        (".", ",", "1850,000", None),
        (".", ",", "0,123", None),
        (",", "", "1.85", None),
        (",", "", "1,85", 1.85),
        (",", ".", "1.85", None),
        (",", ".", "1.850", 1850.0),
        (",", ".", "1.234,5", 1234.5),
        (",", ".", "1,234.5", None),
        (",", " ", "1 234,5", 1234.5),
        (",", " ", "1\u00a0234\u202f567,5", 1234567.5),
        (",", "\u202f", "1 234", 1234.0),
        (".", "'", "1'234.5", 1234.5),
    ],
)
def test_numbers_of_a_locale(decimal: str, thousands: str, text: str, expected: float | None) -> None:
    assert value(parse_number(TEXT, decimal, thousands), text) == expected


@pytest.mark.parametrize(
    "text",
    [
        "",
        " ",
        "-",
        ".",
        "e5",
        "1e",
        "inf",
        "nan",
        "NaN",
        "1e999",
        "1 2",
        "0x10",
        "1_0",
        "--1",
        "\u0661",
        "1.2.3",
    ],
)
@pytest.mark.mode(9)
def test_what_is_no_number(text: str) -> None:
    for expr in (parse_number(TEXT), parse_integer(TEXT), quantum(TEXT), parse_quantity(TEXT, "lb")):
        assert value(expr, text) is None


def test_null_stays_null() -> None:
    for expr in (parse_number(TEXT), parse_integer(TEXT), quantum(TEXT), parse_quantity(TEXT, "clock")):
        assert values(expr, [None]) == [None]


def test_marks_must_differ() -> None:
    for decimal, thousands in ((".", "."), ("", ""), (",", "..")):
        with pytest.raises(ValueError, match="mark"):
            parse_number(TEXT, decimal, thousands)


marks = st.sampled_from(
    [(".", ""), (".", ","), (",", ""), (",", "."), (",", " "), (".", "'"), (",", "\u202f")]
)
numbers = st.decimals(-(10**9), 10**9, places=4) | st.floats(allow_nan=False, allow_infinity=False).map(
    Decimal.from_float
)


def written(number: Decimal, decimal: str, thousands: str) -> str:
    text = f"{number:,f}" if abs(number.adjusted()) < 20 else f"{number:E}"
    return text.replace(",", "T").replace(".", decimal).replace("T", thousands)


@settings(max_examples=200, deadline=None)
@given(st.lists(numbers, min_size=1, max_size=20), marks)
def test_any_number_written_in_a_locale_reads_back_to_the_nearest_double(
    drawn: list[Decimal], locale: tuple[str, str]
) -> None:
    texts: list[str | None] = [written(number, *locale) for number in drawn]
    assert values(parse_number(TEXT, *locale), texts) == [float(number) for number in drawn]


@settings(max_examples=200, deadline=None)
@given(st.text("0123456789.,'-+eE \u00a0", max_size=8), marks)
def test_never_a_number_where_the_plain_reading_is_none(text: str, locale: tuple[str, str]) -> None:
    decimal, thousands = locale
    plain = text.strip()
    for mark in (thousands, *(" \u00a0\u202f" if thousands in (" ", "\u202f") else "")):
        plain = plain.replace(mark, "") if mark else plain
    plain = plain.replace(".", "x").replace(decimal, ".") if decimal != "." else plain
    result = value(parse_number(TEXT, decimal, thousands), text)
    try:
        expected = float(plain)
    except ValueError:
        assert result is None
    else:
        assert result in (None, expected)
        if plain == text.strip().replace(decimal, "."):  # without thousands marks nothing may be lost
            assert result == expected or abs(expected) == float("inf")


@pytest.mark.parametrize(
    ("text", "expected"),
    [("3", 3), (" 3.0 ", 3), ("-2", -2), ("1e2", 100), ("3.5", None), ("9007199254740994", None)],
)
def test_integers(text: str, expected: int | None) -> None:
    assert value(parse_integer(TEXT), text) == expected


@pytest.mark.parametrize(
    ("text", "expected"),
    [
        ("1,23", 0.01),
        ("7,5", 0.1),
        ("12", 1.0),
        ("1.200", 1.0),
        ("5,", 1.0),
        ("7,50", 0.01),
        ("1,2e2", 10.0),
        ("1e-3", 0.001),
    ],
)
def test_quantum_is_the_last_place(text: str, expected: float) -> None:
    assert value(quantum(TEXT, ",", "."), text) == expected


@pytest.mark.parametrize(
    ("unit", "text", "expected"),
    [
        ("ms", "512", 0.512),
        ("cm", "183.5", 1.835),
        ("lb", "1", 0.45359237),
        ("km/h", "36", 10.0),
        ("%", "12.5", 0.125),
        ("clock", "6:42.3", 402.3),
        ("clock", "1:02:03.4", 3723.4),
        ("clock", "42.3", 42.3),
        ("clock", "75:00", 4500.0),
        ("clock", "6:5", None),
        ("clock", "6:60", None),
        ("clock", "1:60:00", None),
        ("clock", "6:42,3", None),
        ("clock", ":42", None),
        ("ft_in", "5'11\"", 1.8034),
        ("ft_in", "5' 11.5\"", 1.8161),
        ("ft_in", "5 ft 11 in", 1.8034),
        ("ft_in", "5-11", 1.8034),
        ("ft_in", "5\u203211\u2033", 1.8034),
        ("ft_in", "5\u201911\u201d", 1.8034),
        ("ft_in", "5'11''", 1.8034),
        ("ft_in", "6'", 1.8288),
        ("ft_in", "6 FT", 1.8288),
        ("ft_in", "5'12\"", None),
        ("ft_in", "5.11", None),
        ("ft_in", "71", None),
        ("ft_in", "5-", None),
    ],
)
def test_quantities(unit: str, text: str, expected: float | None) -> None:
    assert value(parse_quantity(TEXT, unit), text) == expected


@pytest.mark.mode(8)
def test_clock_and_feet_with_a_decimal_comma() -> None:
    assert value(parse_quantity(TEXT, "clock", ","), "6:42,3") == 402.3
    assert value(parse_quantity(TEXT, "ft_in", ","), "5'11,5\"") == 1.8161


@settings(max_examples=100, deadline=None)
@given(st.decimals(0, 10**6, places=3), st.sampled_from([u for u in UNITS if UNITS[u].written == "number"]))
def test_quantities_are_one_multiplication_and_one_division(number: Decimal, unit: str) -> None:
    expected = float(number) * UNITS[unit].numerator / UNITS[unit].denominator
    assert value(parse_quantity(TEXT, unit), str(number)) == expected


@pytest.mark.parametrize("unit", ["lb", "kgf", "km/h", "ms", "in", "yd"])
@pytest.mark.parametrize("beside", [[], [None], ["none"]])
def test_what_stands_beside_a_quantity_changes_no_digit_of_it(unit: str, beside: list[str | None]) -> None:
    """A column with an empty or wrong cell reads as one without: a rebuild must give the same doubles."""
    texts = [f"{tenth / 10:.1f}" for tenth in range(1, 2001)]
    found = values(parse_quantity(TEXT, unit), [*texts, *beside])
    known = UNITS[unit]
    assert found == [
        *(float(text) * known.numerator / known.denominator for text in texts),
        *(None for _ in beside),
    ]


@settings(max_examples=100, deadline=None)
@given(st.integers(0, 359_999_999), st.sampled_from([".", ","]))
def test_any_clock_is_the_double_of_its_seconds(milliseconds: int, decimal: str) -> None:
    seconds, rest = divmod(milliseconds, 1000)
    text = f"{seconds // 3600}:{seconds // 60 % 60:02d}:{seconds % 60:02d}{decimal}{rest:03d}"
    assert value(parse_quantity(TEXT, "clock", decimal), text) == milliseconds / 1000


@pytest.mark.parametrize(
    ("unit", "to", "text", "expected"),
    [("mm", "mm", "8.2", 8.2), ("cm", "mm", "1.25", 12.5), ("in", "mm", "1", 25.4), ("1", "%", "0.3", 30.0)],
)
def test_a_quantity_is_held_in_the_unit_asked_for(unit: str, to: str, text: str, expected: float) -> None:
    assert value(parse_quantity(TEXT, unit, to=to), text) == expected

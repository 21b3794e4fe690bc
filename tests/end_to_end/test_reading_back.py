"""A table of trials in any mix of encoding, marks, units and line ends reads back to the same SI values.

The numbers expected are worked out from the written text with exact fractions: inch, foot, yard and mile
from 1 yd = 0.9144 m and the pound as 0.453 592 37 kg (international yard and pound agreement, 1959).
"""

from __future__ import annotations

import csv
import io
from dataclasses import dataclass
from decimal import Decimal
from fractions import Fraction
from typing import Any

import polars as pl
from hypothesis import given, settings
from hypothesis import strategies as st

from pipeline.intake.layout_checks import check_layout
from pipeline.intake.layouts import Layout
from pipeline.intake.read import Export, Texts, read_export
from pipeline.intake.recognise import Claimed, recognise
from pipeline.intake.typed import Reading, read_all

SI = {
    "s": Fraction(1), "ms": Fraction(1, 1000), "min": Fraction(60),
    "m": Fraction(1), "cm": Fraction(1, 100), "mm": Fraction(1, 1000), "km": Fraction(1000),
    "in": Fraction(254, 10000), "ft": Fraction(3048, 10000), "yd": Fraction(9144, 10000),
    "kg": Fraction(1), "g": Fraction(1, 1000), "lb": Fraction(45359237, 100000000),
    "m/s": Fraction(1), "km/h": Fraction(1000, 3600), "mph": Fraction(1609344, 3600000), "deg": Fraction(1),
}  # fmt: skip
TIMES, LENGTHS, MASSES = ("s", "ms", "min"), ("m", "cm", "mm", "in", "ft", "yd"), ("kg", "g", "lb")
NAMES = ("Ana Torre", "José Núñez", "O'Brien, Ítalo", 'Rui "Zé" Lemos', "Semi;Colon", "Bar|Pipe", "Zoë  Ö")
CODECS = {
    "utf-8": ("utf-8", "utf-8-sig"),
    "utf-16": ("utf-16",),
    "cp1252": ("cp1252",),
    "latin-1": ("latin-1",),
}
CLOSE = 4e-16  # two correctly rounded steps: relative, of a double


@dataclass(frozen=True)
class Style:
    """How a file is written."""

    encoding: str
    codec: str
    delimiter: str
    decimal: str
    thousands: str
    newline: str
    last_end: bool
    null: str
    order: int  # which order of columns


@st.composite
def styles(draw: st.DrawFn) -> Style:
    encoding = draw(st.sampled_from(sorted(CODECS)))
    decimal = draw(st.sampled_from([".", ","]))
    thousands = draw(st.sampled_from(["", " ", "'", "\u00a0", "," if decimal == "." else "."]))
    return Style(
        encoding,
        draw(st.sampled_from(CODECS[encoding])),
        draw(st.sampled_from([",", ";", "\t", "|"])),
        decimal,
        thousands,
        draw(st.sampled_from(["\n", "\r\n", "\r"])),
        draw(st.booleans()),
        draw(st.sampled_from(["", "-", "n/a", "--"])),
        draw(st.integers(0, 5)),
    )


@dataclass(frozen=True)
class Quantity:
    """A column of numbers: its target, unit and decimals as written."""

    target: str
    unit: str
    decimals: int

    def text(self, value: float, style: Style) -> str:
        """A value [SI] as the export writes it."""
        written = f"{float(Fraction(value) / SI[self.unit]):.{self.decimals}f}"
        whole, _, part = written.partition(".")
        sign, digits = ("-", whole[1:]) if whole.startswith("-") else ("", whole)
        if style.thousands:
            digits = f"{int(digits):,}".replace(",", style.thousands)
        return sign + digits + (style.decimal + part if part else "")

    def told(self, value: float) -> float:
        """The double nearest to what the text says [SI]."""
        written = f"{float(Fraction(value) / SI[self.unit]):.{self.decimals}f}"
        return float(Fraction(Decimal(written)) * SI[self.unit])

    @property
    def step(self) -> float:
        """Size of the last decimal place [SI]."""
        return float(SI[self.unit] / 10**self.decimals)


@dataclass(frozen=True)
class Written:
    """A file, its layout, and the rows expected: name and trial with every value [SI]."""

    data: bytes
    layout: Layout
    rows: list[dict[str, Any]]


def make_layout(family: str, columns: dict[str, Any], style: Style, **more: Any) -> Layout:
    layout = Layout.model_validate(
        {
            "layout": "any", "family": family, "device": "any",
            "match": {"header": ("Who", "When")},
            "file": {
                "encoding": style.encoding, "delimiter": style.delimiter, "decimal": style.decimal,
                "thousands": style.thousands, "null": tuple({"", style.null}),
            },
            "columns": {
                "athlete": {"from": "Who"},
                "performed_at": {"from": "When", "format": "%Y-%m-%d %H:%M:%S"},
                **columns,
            },
            **more,
        }
    )  # fmt: skip
    assert check_layout(layout, "any", {"any": family}) == []
    return layout


def encode(header: list[str], rows: list[list[str]], style: Style) -> bytes:
    """The file's bytes; the columns stand in one of six orders."""
    order = list(range(len(header)))
    order = order[style.order :] + order[: style.order]
    out = io.StringIO(newline="")
    writer = csv.writer(out, delimiter=style.delimiter, lineterminator=style.newline)
    writer.writerows([[line[at] for at in order] for line in [header, *rows]])
    text = out.getvalue()
    return (text if style.last_end else text.removesuffix(style.newline)).encode(style.codec)


def read(data: bytes, layout: Layout) -> Reading:
    """The file read as intake reads it: recognised by its header, every line accounted for."""
    export = Export("any.csv", data)
    claimed = recognise("any.csv", export, {"any": layout}, {})
    assert isinstance(claimed, Claimed), claimed
    texts = read_export(export, claimed.layout, claimed.head, claimed.header_at, "UTC", {})
    assert isinstance(texts, Texts), texts
    [reading] = read_all([texts])
    return reading


def when(number: int) -> str:
    return f"2026-03-{1 + number // 60 % 28:02d} 10:{number % 60:02d}:00"


def si(low: float, high: float) -> st.SearchStrategy[float]:
    return st.floats(low, high, allow_nan=False, allow_infinity=False)


JUMP = st.fixed_dictionaries(
    {
        "name": st.sampled_from(NAMES),
        "flight_time_s": si(0.06, 0.99),
        "contact_time_s": st.none() | si(0.09, 1.9),
        "drop_height_m": st.none() | si(0.06, 1.19),
        "added_load_kg": st.none() | si(0.1, 299.0),
    }
)


@st.composite
def jump_files(draw: st.DrawFn) -> tuple[Written, list[Quantity], list[dict[str, Any]], Style]:
    style = draw(styles())
    quantities = [
        Quantity(target, draw(st.sampled_from(units)), draw(st.integers(least, 6)))
        for target, units, least in (
            ("flight_time_s", TIMES, 4), ("contact_time_s", TIMES, 4),
            ("drop_height_m", LENGTHS, 3), ("added_load_kg", MASSES, 1),
        )
    ]  # fmt: skip
    trials = draw(st.lists(JUMP, min_size=1, max_size=8))
    return write_jumps(trials, quantities, style), quantities, trials, style


def write_jumps(trials: list[dict[str, Any]], quantities: list[Quantity], style: Style) -> Written:
    header = ["Who", "When", "Try", *(one.target for one in quantities)]
    rows, expected = [], []
    for number, trial in enumerate(trials):
        cells = [
            style.null if cell is None else one.text(cell, style) for one, cell in _cells(trial, quantities)
        ]
        rows.append([trial["name"], when(number), str(number), *cells])
        told = {
            one.target: None if cell is None else one.told(cell) for one, cell in _cells(trial, quantities)
        }
        expected.append({"name": trial["name"], "trial": number, **told})
    columns: dict[str, Any] = {one.target: {"from": one.target, "unit": one.unit} for one in quantities}
    columns |= {"trial": {"from": "Try"}, "test": {"value": "countermovement_jump"}}
    return Written(encode(header, rows, style), make_layout("contact_mat", columns, style), expected)


def _cells(trial: dict[str, Any], quantities: list[Quantity]) -> list[tuple[Quantity, float | None]]:
    return [(one, trial[one.target]) for one in quantities]


def same(stored: float | None, told: float | None) -> bool:
    return stored == told or (
        stored is not None and told is not None and abs(stored - told) <= CLOSE * abs(told)
    )


@settings(max_examples=40, deadline=None)
@given(jump_files())
def test_jumps_read_back_in_any_writing(file: tuple[Written, list[Quantity], list[dict[str, Any]], Style]):
    written, quantities, trials, _ = file
    reading = read(written.data, written.layout)
    assert reading.problems.rows() == []
    assert reading.n_lines == len(trials) and reading.skipped.height == 0
    rows = reading.rows.sort("trial").to_dicts()
    assert [(row["written_name"], row["trial"]) for row in rows] == [
        (told["name"], told["trial"]) for told in written.rows
    ]
    for row, told, true in zip(rows, written.rows, trials, strict=True):
        for one in quantities:
            assert same(row[one.target], told[one.target]), (one, row[one.target], told[one.target])
            if true[one.target] is not None:
                assert abs(row[one.target] - true[one.target]) <= one.step / 2 + 1e-9


@settings(max_examples=12, deadline=None)
@given(jump_files(), st.randoms(use_true_random=False))
def test_the_order_of_rows_does_not_matter(
    file: tuple[Written, list[Quantity], list[dict[str, Any]], Style], random: Any
):
    written, _, _, style = file
    data, mark = written.data.decode(style.codec), style.newline
    header, *lines = data.removesuffix(mark).split(mark)
    random.shuffle(lines)
    shuffled = mark.join([header, *lines]) + (mark if style.last_end else "")
    keep = [
        "written_name",
        "local",
        "trial",
        "flight_time_s",
        "contact_time_s",
        "drop_height_m",
        "added_load_kg",
    ]
    before, after = (
        read(bytes_, written.layout).rows.select(keep).sort("trial")
        for bytes_ in (written.data, shuffled.encode(style.codec))
    )
    assert before.equals(after)


WIDE = st.fixed_dictionaries(
    {"name": st.sampled_from(NAMES), "mass": si(16.0, 249.0), "stature": st.none() | si(0.95, 2.25)}
)


@settings(max_examples=30, deadline=None)
@given(
    styles(),
    st.lists(WIDE, min_size=1, max_size=6),
    st.sampled_from(MASSES),
    st.sampled_from(("m", "cm", "mm", "in", "ft", "yd")),
    st.booleans(),
)
def test_wide_and_long_body_measures_say_the_same(
    style: Style, people: list[dict[str, Any]], mass_unit: str, length_unit: str, by_unit_column: bool
):
    """A column a quantity with a unit each, or a line a reading with its unit beside it."""
    mass, stature = Quantity("mass", mass_unit, 5), Quantity("stature", length_unit, 5)
    told = [
        (person["name"], one.target, one.told(person[one.target]))
        for person in people
        for one in (mass, stature)
        if person[one.target] is not None
    ]
    if by_unit_column:
        header = ["Who", "When", "What", "How much", "In"]
        rows = [
            [person["name"], when(number), one.target, one.text(person[one.target], style), one.unit]
            for number, person in enumerate(people)
            for one in (mass, stature)
            if person[one.target] is not None
        ]
        columns: dict[str, Any] = {
            "quantity": {"from": "What"},
            "value": {"from": "How much", "unit_from": "In"},
        }
    else:
        header = ["Who", "When", "Heavy", "Tall"]
        rows = [
            [
                person["name"],
                when(number),
                mass.text(person["mass"], style),
                style.null if person["stature"] is None else stature.text(person["stature"], style),
            ]
            for number, person in enumerate(people)
        ]
        entries = [
            {"from": "Heavy", "quantity": "mass", "unit": mass_unit},
            {"from": "Tall", "quantity": "stature", "unit": length_unit},
        ]
        columns = {"value": {"unpivot": entries}}
    reading = read(encode(header, rows, style), make_layout("body_measures", columns, style))
    assert reading.problems.rows() == []
    stored = reading.rows.sort("seq").select("written_name", "quantity", "value", "unit").rows()
    assert [row[:2] for row in stored] == [row[:2] for row in told]
    assert all(same(row[2], one[2]) for row, one in zip(stored, told, strict=True))
    assert {row[3] for row in stored} <= {"kg", "m"}
    assert all(row[3] == ("kg" if row[1] == "mass" else "m") for row in stored)


GATES = (5, 10, 20)


@settings(max_examples=15, deadline=None)
@given(
    styles(),
    st.lists(
        st.tuples(st.sampled_from(NAMES), si(1.0, 1.3), si(1.7, 2.4), si(2.9, 3.9)), min_size=1, max_size=5
    ),
    st.sampled_from(TIMES),
    st.sampled_from(("m", "ft", "yd")),
    st.sampled_from(("m/s", "km/h", "mph")),
)
def test_gates_a_line_a_run_and_a_line_a_gate_say_the_same(
    style: Style, runs: list[tuple[Any, ...]], time_unit: str, length_unit: str, speed_unit: str
):
    split, gate = Quantity("split", time_unit, 6), Quantity("gate", length_unit, 5)
    wind = Quantity("wind", speed_unit, 4)
    common = {"trial": {"from": "Run"}, "test": {"value": "linear_sprint"}}
    breeze = {"wind_m_s": {"from": "Wind", "unit": speed_unit}}
    wide_rows = [
        [name, when(n), str(n), wind.text(-1.25, style), *(split.text(time, style) for time in times)]
        for n, (name, *times) in enumerate(runs)
    ]
    entries = [{"from": f"{d} out", "distance_m": d} for d in GATES]
    wide = read(
        encode(["Who", "When", "Run", "Wind", *(f"{d} out" for d in GATES)], wide_rows, style),
        make_layout(
            "timing_gates",
            common | breeze | {"split_time_s": {"unit": time_unit, "unpivot": entries}},
            style,
        ),
    )
    long_rows = [
        [name, when(n), str(n), wind.text(-1.25, style), gate.text(d, style), split.text(time, style)]
        for n, (name, *times) in enumerate(runs)
        for d, time in zip(GATES, times, strict=True)
    ]
    long = read(
        encode(["Who", "When", "Run", "Wind", "Gate", "Time"], long_rows, style),
        make_layout(
            "timing_gates",
            common
            | breeze
            | {
                "distance_m": {"from": "Gate", "unit": length_unit},
                "split_time_s": {"from": "Time", "unit": time_unit},
            },
            style,
        ),
    )
    assert wide.problems.height == long.problems.height == 0
    told = [
        (n, d, split.told(time), wind.told(-1.25))
        for n, (_, *times) in enumerate(runs)
        for d, time in zip(GATES, times, strict=True)
    ]
    for reading in (wide, long):
        stored = reading.rows.sort("seq").select("trial", "distance_m", "split_time_s", "wind_m_s").rows()
        assert len(stored) == len(told)
        for row, one in zip(stored, told, strict=True):
            assert row[0] == one[0] and abs(row[1] - one[1]) <= gate.step
            assert same(row[2], one[2]) and same(row[3], one[3])


@settings(max_examples=12, deadline=None)
@given(styles(), st.lists(st.integers(400, 5400), min_size=1, max_size=6))
def test_a_file_in_pounds_is_the_file_in_kilograms(style: Style, tenths: list[int]):
    """The same masses: tenths of a pound, and the kilograms that they are exactly."""
    pounds = [f"{tenth // 10}{style.decimal}{tenth % 10}" for tenth in tenths]
    kilograms = [
        str(Decimal(tenth) * 45359237 / Decimal(10) ** 9).replace(".", style.decimal) for tenth in tenths
    ]
    stored = []
    for unit, texts in (("lb", pounds), ("kg", kilograms)):
        rows = [["Ana Torre", when(n), text] for n, text in enumerate(texts)]
        columns = {"value": {"from": "Mass", "unit": unit}, "quantity": {"value": "mass"}}
        reading = read(
            encode(["Who", "When", "Mass"], rows, style), make_layout("body_measures", columns, style)
        )
        assert reading.problems.height == 0
        stored.append(reading.rows.sort("local").select("written_name", "local", "quantity", "value", "unit"))
    assert stored[0].drop("value").equals(stored[1].drop("value"))
    assert all(same(*pair) for pair in zip(*(frame["value"] for frame in stored), strict=True))
    assert stored[0]["value"].dtype == pl.Float64

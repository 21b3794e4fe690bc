"""How a device writes its export: columns with their texts. From one `Spec` come the file and its layout."""

from collections.abc import Callable
from dataclasses import dataclass, field
from datetime import UTC, date, datetime
from zoneinfo import ZoneInfo

from .people import Roster
from .units import from_text, held_in, step, to_text

ZONE = ZoneInfo("Europe/Lisbon")


@dataclass(frozen=True)
class Row:
    """What one line of an export is about, in SI and in the contract's words."""

    athlete_id: str
    at: datetime  # local wall time
    facts: dict[str, str | int]  # test, trial, leg, mark ...
    values: dict[str, float] = field(default_factory=dict)  # by column of the trial table [SI]
    many: dict[str, float] = field(default_factory=dict)  # of a wide line, by distance or quantity [SI]
    name: str = ""  # a written name that is not the athlete's own
    results: dict[str, float] = field(default_factory=dict)  # of its whole trial, without noise, by metric


@dataclass(frozen=True)
class Quantity:
    """A number of a line: as it was, and as the export's text gives it exactly, in the warehouse's unit."""

    column: str
    true: float
    exported: float
    step: float
    facts: dict[str, str | float]  # what an unpivoted column adds: distance_m or quantity


@dataclass(frozen=True)
class Name:
    """The athlete column; `style` is id, plain, ascii or last_first."""

    header: str
    style: str = "plain"


@dataclass(frozen=True)
class Stamp:
    """The time, or a part of it where several columns give it."""

    header: str
    format: str


@dataclass(frozen=True)
class Text:
    """A word or whole number; `words` maps the contract's word to the export's."""

    header: str
    target: str
    words: dict[str, str] | None = None


@dataclass(frozen=True)
class Number:
    """A number with its unit; `by_quantity` gives it by the fact `by`, where the export names it."""

    header: str
    target: str
    unit: str = ""
    decimals: int = 0
    by_quantity: dict[str, tuple[str, int]] | None = None
    by: str = "quantity"

    def written_in(self, row: Row) -> tuple[str, int]:
        """Unit and decimals of this row's number."""
        return (
            (self.unit, self.decimals)
            if self.by_quantity is None
            else self.by_quantity[str(row.facts[self.by])]
        )


@dataclass(frozen=True)
class UnitOf:
    """The unit column of a `Number` with `by_quantity`."""

    header: str
    of: Number


@dataclass(frozen=True)
class Wide:
    """One of several columns of the same meaning; `adds` is the constant that its rows carry."""

    header: str
    target: str
    adds: tuple[str, str | int]
    unit: str
    decimals: int
    own_unit: bool = False  # the unit stands at the entry, not at the column


@dataclass(frozen=True)
class Filler:
    """A column that is left out on purpose."""

    header: str
    make: Callable[[Row], str]


@dataclass(frozen=True)
class Constant:
    """A fact that the export lacks and the layout states; `dated` holds (from, value) pairs in order."""

    target: str
    value: str | float = ""
    unit: str = ""
    dated: tuple[tuple[date | None, float], ...] = ()

    def on(self, day: date) -> str | float:
        """The value in force on `day`."""
        in_force = [value for starts, value in self.dated if starts is None or starts <= day]
        return in_force[-1] if in_force else self.value


@dataclass(frozen=True)
class Preamble:
    """A fact on a line above the header."""

    label: str
    target: str
    unit: str = ""
    decimals: int = 0
    words: dict[str, str] | None = None


@dataclass(frozen=True)
class NameAbove:
    """The athlete on a line above the header: the whole file is one trial."""

    label: str
    style: str = "plain"


@dataclass(frozen=True)
class StampAbove:
    """The time, or a part of it, on a line above the header."""

    label: str
    format: str


Column = Name | Stamp | Text | Number | UnitOf | Wide | Filler


@dataclass(frozen=True)
class Spec:
    """One export format of one device."""

    layout: str
    family: str
    device: str
    columns: tuple[Column, ...]
    match: tuple[str, ...]
    method_version: str = ""
    encoding: str = "utf-8"
    bom: bool = False
    delimiter: str = ","
    decimal: str = "."
    null_word: str = ""
    newline: str = "\r\n"
    workbook: bool = False
    timezone: str = ""
    constants: tuple[Constant, ...] = ()
    heading: tuple[str, ...] = ()
    preamble: tuple[Preamble | NameAbove | StampAbove, ...] = ()
    filename: tuple[tuple[str, str], ...] = ()
    time_of_filename: str = ""  # the format of the time in the file's name
    comment: str = ""
    trailer: str = ""
    lines_of: Callable[[Row], list[Row]] | None = None  # where one row takes several lines

    @property
    def device_family(self) -> str:
        """The family that the device and its layout have."""
        return {"bar_traces": "bar_speed"}.get(self.family, self.family)

    def at(self, target: str) -> int:
        """The place of the first column that gives `target`."""
        for place, column in enumerate(self.columns):
            name = {Name: "athlete", Stamp: "performed_at"}.get(type(column), getattr(column, "target", ""))
            if name == target:
                return place
        raise KeyError(f"{self.layout} has no column for {target}")

    def time_format(self) -> str:
        """The format of the joined time columns, or of the lines above the header, or of the file's name."""
        on_line = [column.format for column in self.columns if isinstance(column, Stamp)]
        above = [fact.format for fact in self.preamble if isinstance(fact, StampAbove)]
        return " ".join(on_line or above) or self.time_of_filename

    def has_time(self) -> bool:
        """Whether the export tells the time of day."""
        written = self.time_format()
        return written.startswith("epoch") or "%H" in written or "%I" in written

    def moment(self, at: datetime) -> datetime:
        """`at` as the export's format can tell it."""
        written = self.time_format()
        if written.startswith("epoch") or "%S" in written:
            return at
        return at.replace(second=0) if self.has_time() else at.replace(hour=0, minute=0, second=0)


def utc(at: datetime) -> datetime:
    """Local wall time -> UTC, without zone."""
    return at.replace(tzinfo=ZONE).astimezone(UTC).replace(tzinfo=None)


def stamp_text(written: str, at: datetime) -> str:
    """The time as text of one column."""
    aware = at.replace(tzinfo=ZONE)
    return str(int(aware.timestamp() * 1000)) if written == "epoch_ms" else aware.strftime(written)


def quantity_of(column: Number | Wide | Preamble, unit: str, decimals: int, value: float) -> Quantity:
    """The truth of one written number."""
    facts: dict[str, str | float] = dict([column.adds]) if isinstance(column, Wide) else {}
    held = held_in(column.target)
    exported = from_text(to_text(value, unit, decimals), unit, held)
    return Quantity(column.target, value / float(held), exported, step(unit, decimals, held), facts)


def _measured(column: Number | Wide, row: Row) -> tuple[float | None, str, int]:
    """Value [SI], unit and decimals of a column in a row; None where it was not measured."""
    if isinstance(column, Wide):
        return row.many.get(str(column.adds[1])), column.unit, column.decimals
    return row.values.get(column.target), *column.written_in(row)


def cell(spec: Spec, column: Column, row: Row, roster: Roster) -> str:
    """The text of one cell."""
    if isinstance(column, Name):
        return row.name or roster.written(row.athlete_id, spec.device, row.at.date(), column.style)
    if isinstance(column, Stamp):
        return stamp_text(column.format, row.at)
    if isinstance(column, Text):
        said = str(row.facts.get(column.target, ""))
        return column.words[said] if column.words and said else said or spec.null_word
    if isinstance(column, UnitOf):
        return column.of.written_in(row)[0]
    if isinstance(column, Filler):
        return column.make(row)
    value, unit, decimals = _measured(column, row)
    return spec.null_word if value is None else to_text(value, unit, decimals).replace(".", spec.decimal)


def quantities(spec: Spec, row: Row) -> list[Quantity]:
    """The truth of all numbers that a line of `row` tells."""
    found = []
    for column in spec.columns:
        if isinstance(column, Number | Wide):
            value, unit, decimals = _measured(column, row)
            if value is not None:
                found.append(quantity_of(column, unit, decimals, value))
    for constant in spec.constants:
        fixed = constant.on(row.at.date())
        if isinstance(fixed, float):
            found.append(Quantity(constant.target, fixed, fixed, 0.0, {}))
    return found

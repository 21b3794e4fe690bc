"""A layout: how one device's export is written, as a strict model of `config/layouts/*.toml`."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import date
from functools import lru_cache
from pathlib import Path, PurePath
from typing import Annotated, Any, Literal

from pydantic import AfterValidator, BeforeValidator, ConfigDict, Field, model_validator

from pipeline.facility.problems import Problem
from pipeline.facility.settings import Names, StrictConfig, Timezone, known_family
from pipeline.facility.toml_file import check_model, check_rest, parse_toml
from pipeline.intake.layout_checks import check_layout
from schemas.families import FAMILIES

LAYOUTS_FOLDER = "config/layouts"
SHEET_PREFIX = "sheet-"
"""Layouts so named read the sheets that yardmark itself prints, to be filled by hand."""

# Put where a needed key is missing, so that the rest of the layout can be checked nonetheless.
_STAND_INS = {"layout": "", "device": "", "match": {"folder": "."}, "columns": {}, "from": "", "is": 0}


def _one_or_more(value: object) -> object:
    """A name as a list of one; a list as it is."""
    return [value] if isinstance(value, str) else value


def _dated(value: object) -> object:
    """A plain constant as one that always holds; a dated list as it is."""
    return value if isinstance(value, list) else [{"is": value}]


def _constant(value: object) -> object:
    if isinstance(value, bool) or not isinstance(value, (str, int, float)):
        raise ValueError("a constant is a text in quotes or a number")
    return value


def _as_text(value: object) -> object:
    """Numbers of a map as the text that an export would have."""
    if isinstance(value, dict):
        return {word: str(to) if type(to) in (int, float) else to for word, to in value.items()}
    return value


def _known_family(name: str) -> str:
    return name if name in FAMILIES else known_family(name)


class Match(StrictConfig):
    """What a file must be like to be read by this layout; all that is given must hold."""

    folder: str | None = None
    filename: str | None = None
    header: Names = ()


class FileFormat(StrictConfig):
    """How the file is written. `sheet` is for workbooks: the first where it is left out."""

    encoding: Literal["utf-8", "utf-16", "cp1252", "latin-1"] = "utf-8"
    delimiter: str = ","
    decimal: Literal[".", ","] = "."
    thousands: str = ""
    null: Names = ("",)
    comment: str | None = None
    trailer: Names = ()
    multiline: bool = False
    sheet: str | None = None


class DatedConstant(StrictConfig):
    """A constant that holds from a date (inclusive) until a date (exclusive)."""

    from_: date | None = Field(default=None, alias="from")
    until: date | None = None
    is_: Annotated[Any, BeforeValidator(_constant)] = Field(alias="is")


class UnpivotEntry(StrictConfig):
    """A column of the export that becomes a row of its own, with constants for other columns."""

    model_config = ConfigDict(extra="allow")

    from_: str = Field(alias="from")
    unit: str | None = None

    @property
    def constants(self) -> dict[str, Any]:
        """Column -> constant, in the column's own unit."""
        return dict(self.model_extra or {})


class ColumnSource(StrictConfig):
    """Where a column takes its text from, and how that text becomes a value."""

    from_: Annotated[Names, BeforeValidator(_one_or_more)] | None = Field(default=None, alias="from")
    value: Annotated[tuple[DatedConstant, ...], Field(strict=False), BeforeValidator(_dated)] | None = None
    preamble: Annotated[Names, BeforeValidator(_one_or_more)] | None = None
    filename: str | None = None
    unpivot: Annotated[tuple[UnpivotEntry, ...], Field(strict=False)] | None = None
    unit: str | None = None
    unit_from: str | None = None
    map: Annotated[dict[str, str], BeforeValidator(_as_text)] | None = None
    format: str | None = None
    timezone: Timezone | None = None

    @property
    def names(self) -> tuple[str, ...]:
        """Names of the export's columns that are used, in order, each once."""
        unpivoted = [entry.from_ for entry in self.unpivot or ()]
        unit = [self.unit_from] if self.unit_from else []
        return tuple(dict.fromkeys([*(self.from_ or ()), *unpivoted, *unit]))


class Layout(StrictConfig):
    """One export format of one device."""

    layout: str
    family: Annotated[str, AfterValidator(_known_family)]
    device: str
    method_version: str | None = None
    ignore: Names = ()
    match: Match
    file: FileFormat = FileFormat()
    columns: dict[str, ColumnSource]

    @model_validator(mode="before")
    @classmethod
    def _of_traces(cls, data: Any) -> Any:
        """A layout that maps what only traces have is one of traces of its device family."""
        columns = data.get("columns") if isinstance(data, dict) else None
        for family in FAMILIES.values():
            own = family.trace is not None and family.device_family == data.get("family")
            if own and isinstance(columns, dict) and family.values[-1] in columns:
                return {**data, "family": family.name}
        return data

    @property
    def mapped_names(self) -> tuple[str, ...]:
        """Names of all columns of the export that the layout uses, each once."""
        return tuple(dict.fromkeys(name for source in self.columns.values() for name in source.names))

    @property
    def header_names(self) -> tuple[str, ...]:
        """Names by which the header row is found: those of [match], else all that are mapped."""
        return self.match.header or self.mapped_names

    @property
    def unpivoted(self) -> tuple[str, ...]:
        """Columns that are unpivoted; entries of several with the same constants make one row."""
        return tuple(column for column, source in self.columns.items() if source.unpivot)


def read_layout(path: Path, families: Mapping[str, str] | None) -> tuple[Layout | None, list[Problem]]:
    """A layout file as a checked layout, or None and all that is wrong with it.

    `families`: device -> its family in facility.toml; None where that cannot be read: the device is not
    looked up then.
    """
    known = None if families is None else tuple(families.items())
    layout, problems = _checked(path.read_bytes(), path.name, known)
    return layout, list(problems)


@lru_cache(maxsize=256)
def _checked(
    raw: bytes, name: str, known: tuple[tuple[str, str], ...] | None
) -> tuple[Layout | None, tuple[Problem, ...]]:
    """See `read_layout`. Kept, as a run loads the facility again and again, and layouts are most of that."""
    families = None if known is None else dict(known)
    file, problems = parse_toml(raw, f"{LAYOUTS_FOLDER}/{name}")
    if file is None:
        return None, tuple(problems)
    layout, problems = check_model(Layout, file, file.data)
    rest, faulty = (layout, []) if layout else check_rest(Layout, file, _STAND_INS)
    for at, text in check_layout(rest, PurePath(name).stem, families) if rest else ():
        # What is wrong with, in or around a key already found faulty may come from that.
        if not any(at[: len(key)] == key[: len(at)] for key in faulty):
            problems.append(file.problem(at, text))
    return (None if problems else layout), tuple(problems)

"""What a layout must satisfy beyond its form: every check gives (key path, message in plain words)."""

from __future__ import annotations

import re
from collections.abc import Iterable, Iterator, Mapping
from datetime import date
from itertools import pairwise
from typing import TYPE_CHECKING

from pipeline.facility.problems import meant, nearest_known, shown
from pipeline.facility.toml_lines import Path
from pipeline.intake.name_pattern import fault_of
from pipeline.reading.times import check_format
from pipeline.reading.units import UNITS, holds
from schemas.core import NUMERIC, Family, Field
from schemas.families import FAMILIES
from schemas.fields import FIELDS

if TYPE_CHECKING:
    from pipeline.intake.layouts import ColumnSource, DatedConstant, Layout, UnpivotEntry

Found = Iterator[tuple[Path, str]]

SHARED_TARGETS = ("athlete", "performed_at", "session", "mark")
SOURCES = ("from", "value", "preamble", "filename", "unpivot")


def check_layout(layout: Layout, stem: str, families: Mapping[str, str] | None) -> list[tuple[Path, str]]:
    """All that is wrong with a layout whose form is right. `families`: device -> family, None if unknown."""
    family = FAMILIES[layout.family]
    found = [*_head(layout, stem, families), *_match(layout), *_file(layout), *_required(layout, family)]
    for column, source in layout.columns.items():
        at: Path = ("columns", column)
        field = target(family, column)
        if field is None:
            near = nearest_known(column, _targets(family))
            found.append((at, f"{column!r} is no column of {family.name}; {near}"))
            continue
        found += [((*at, *path), text) for path, text in _column(source, field, family)]
    return [*found, *_unpivots(layout)]


def _targets(family: Family) -> list[str]:
    return [*SHARED_TARGETS, *(field.name for field in family.columns)]


def target(family: Family, column: str) -> Field | None:
    """The declaration of a column that a layout may map; None where there is none."""
    if column in ("athlete", "performed_at", "session"):
        return Field(column, "text", "")
    if column == "mark":
        return FIELDS["mark"]
    return next((field for field in family.columns if field.name == column), None)


def has_unit(field: Field) -> bool:
    """Whether a column holds a quantity, so that the layout must say in which unit it is written."""
    return field.type in NUMERIC and field.unit not in (None, "count")


def _head(layout: Layout, stem: str, families: Mapping[str, str] | None) -> Found:
    if layout.layout != stem:
        yield ("layout",), f"{layout.layout!r} must be the same as the file's name, {stem!r}"
    if families is not None:
        family = families.get(layout.device)
        if family is None:
            wanted = FAMILIES[layout.family].of_device if layout.family in FAMILIES else layout.family
            alike = [
                name for name, one in families.items() if one == wanted and not name.startswith("sheet-")
            ]
            add = f'add [devices.{layout.device}] with family = "{wanted}" there'
            near = f"{nearest_known(layout.device, alike)}, or {add}" if alike else add
            yield ("device",), f"{layout.device!r} is no device of config/facility.toml; {near}"
        elif family in FAMILIES and family != FAMILIES[layout.family].of_device:
            yield (
                ("device",),
                f"{layout.device!r} is of the family {family!r} in config/facility.toml, "
                f"and this layout says {layout.family!r}",
            )
    for i, name in enumerate(layout.ignore):
        if name in layout.mapped_names:
            yield ("ignore", i), f"{name!r} is both mapped and ignored; take one of them out"


def _match(layout: Layout) -> Found:
    match = layout.match
    if not (match.folder or match.filename or match.header):
        yield ("match",), "give at least one of folder, filename and header, or every file would match"
    parts = re.split(r"[/\\]", match.folder or "")
    if (match.folder or "").startswith(("/", "\\")) or ".." in parts or ":" in parts[0]:
        yield ("match", "folder"), f'{match.folder!r} must be a folder below inbox/, such as "gates"'
    if not layout.header_names:
        yield ("match", "header"), "no column is mapped by name, so say which names the header row has"


def _file(layout: Layout) -> Found:
    file = layout.file
    if len(file.delimiter) != 1 or file.delimiter in '"\r\n':
        yield ("file", "delimiter"), f'{file.delimiter!r} must be one character, such as ";" or "\\t"'
    if len(file.thousands) > 1 or file.thousands.isalnum() or file.thousands in ("-", "+"):
        yield ("file", "thousands"), f'{file.thousands!r} must be one mark, such as "." or " ", or empty'
    if file.thousands == file.decimal:
        yield ("file", "thousands"), f"{file.thousands!r} is the decimal mark too; they must differ"


def _required(layout: Layout, family: Family) -> Found:
    mapped = {*layout.columns, *_slips(layout, family)}
    for column in ("athlete", "performed_at", *family.required):
        if column not in mapped and not _in_every_entry(layout, column):
            said = f"{family.name} needs {column}, and it is not mapped"
            yield ("columns", column), f"{said}; add [columns.{column}]"
    # Where no value is needed by itself, such as a mean or a peak velocity, one of them is.
    values = set(family.values)
    if not values & mapped and not values & set(family.required):
        said = f"{family.name} needs one of {', '.join(family.values)}, and none is mapped"
        yield ("columns", family.values[0]), f"{said}; add [columns.{family.values[0]}] or another"


def _slips(layout: Layout, family: Family) -> Iterator[str]:
    """Known columns that misspelled ones stand for, which are not missing too."""
    entries = [entry for column in layout.unpivoted for entry in layout.columns[column].unpivot or ()]
    for word in {*layout.columns, *(name for entry in entries for name in entry.constants)}:
        near = meant(word, _targets(family))
        if near is not None:
            yield near


def _in_every_entry(layout: Layout, column: str) -> bool:
    entries = [entry for name in layout.unpivoted for entry in layout.columns[name].unpivot or ()]
    return bool(entries) and all(column in entry.constants for entry in entries)


def _column(source: ColumnSource, field: Field, family: Family) -> Found:
    given = [key for key, content in zip(SOURCES, _contents(source), strict=True) if content is not None]
    if len(given) != 1:
        said = "none is given" if not given else " and ".join(given) + " are given"
        yield (), f"give exactly one of {', '.join(SOURCES)}; {said}"
    if source.from_ == ():
        yield ("from",), "name at least one column of the export"
    if source.preamble == ():
        yield ("preamble",), "name the line above the header row that has it"
    if source.unpivot == ():
        yield ("unpivot",), "name at least one column of the export"
    if source.filename is not None and (fault := fault_of(source.filename, field.name)) is not None:
        yield ("filename",), fault
    yield from _units(source, field)
    yield from _time(source, field)
    for word, to in (source.map or {}).items():
        yield from _word(("map", word), to, field)
    yield from _constants(source, field)
    for i, entry in enumerate(source.unpivot or ()):
        yield from _entry(("unpivot", i), entry, family, field)


def _contents(source: ColumnSource) -> tuple[object, ...]:
    return source.from_, source.value, source.preamble, source.filename, source.unpivot


def _units(source: ColumnSource, field: Field) -> Found:
    entry_units = [(("unpivot", i, "unit"), entry.unit) for i, entry in enumerate(source.unpivot or ())]
    given: list[tuple[Path, str]] = [(path, unit) for path, unit in entry_units if unit is not None]
    if source.unit is not None:
        given.insert(0, (("unit",), source.unit))
    if not has_unit(field):
        extra: list[Path] = [path for path, _ in given]
        extra += [("unit_from",)] if source.unit_from is not None else []
        for path in extra:
            yield path, f"{field.name} has no unit; take this out"
        return
    for path, unit in given:
        if unit not in UNITS:
            yield path, f"{unit!r} is no known unit; {nearest_known(unit, UNITS)}. Known: {' '.join(UNITS)}"
        elif not holds(field.unit or "", unit):
            yield path, f"{unit!r} cannot be turned into {field.unit}, the unit of {field.name}"
    if source.unit is not None and source.unit_from is not None:
        yield ("unit_from",), "give unit or unit_from, not both"
    covered = entry_units and all(unit is not None for _, unit in entry_units)
    if source.unit is None and source.unit_from is None and not covered:
        yield (), f'say in which unit {field.name} is written: unit = "...", or unit_from = "its column"'


def _time(source: ColumnSource, field: Field) -> Found:
    if field.name != "performed_at":
        for key in ("format", "timezone"):
            if getattr(source, key) is not None:
                yield (key,), f"only performed_at has a {key}; take this out"
    elif source.format is None:
        yield (), 'performed_at needs format, such as format = "%d.%m.%Y %H:%M:%S"'
    else:
        for text in check_format(source.format):
            yield ("format",), f"{source.format!r}: {text}"


def _word(path: Path, word: object, field: Field) -> Found:
    """A word or number given for a column in the layout itself."""
    if field.type in NUMERIC:
        if path[0] == "map":
            word = _number(word)
        if isinstance(word, bool) or not isinstance(word, int | float):
            yield path, f"{shown(word)} must be a number for {field.name}"
        elif field.type == "integer" and isinstance(word, float) and not word.is_integer():
            yield path, f"{word} must be a whole number for {field.name}"
    elif isinstance(word, bool) or not isinstance(word, str):
        yield path, f"{shown(word)} must be a text in quotes for {field.name}"
    elif field.values and word not in field.values:
        near = nearest_known(word, field.values)
        yield path, f"{word!r} is no word for {field.name}; {near}. Known: {', '.join(field.values)}"


def _number(word: object) -> object:
    """A word of a map, which is text, as the number that it writes; else as it is."""
    try:
        return float(str(word))
    except ValueError:
        return word


def _constants(source: ColumnSource, field: Field) -> Found:
    values = source.value or ()
    if source.value == ():
        yield ("value",), "give a constant, or a list of dated ones"
    written = UNITS[source.unit].written if source.unit in UNITS else "number"
    for i, constant in enumerate(values):
        path: Path = ("value", i, "is")
        # A clock or feet and inches is written as a text; with a map the constant is the map's word.
        if source.map is None and not (written != "number" and isinstance(constant.is_, str)):
            yield from _word(path, constant.is_, field)
        if constant.from_ and constant.until and constant.until <= constant.from_:
            yield ("value", i, "until"), f"{constant.until} must be after from, {constant.from_}"
    yield from _overlaps(values)


def _overlaps(values: Iterable[DatedConstant]) -> Found:
    spans = sorted((value.from_ or date.min, value.until or date.max) for value in values)
    for (_, end), (start, _) in pairwise(spans):
        if start < end:
            said = f"two constants hold on {start}; until is exclusive"
            yield ("value",), f"{said}: end one where the next begins"


def _entry(path: Path, entry: UnpivotEntry, family: Family, field: Field) -> Found:
    for column, constant in entry.constants.items():
        other = next((f for f in family.columns if f.name == column and column != field.name), None)
        if other is None:
            known = ["from", "unit", *(f.name for f in family.columns if f.name != field.name)]
            yield (*path, column), f"{column!r} is no column of {family.name}; {nearest_known(column, known)}"
        elif isinstance(constant, (dict, list)):
            yield (*path, column), f"{shown(constant)} must be a text in quotes or a number"
        else:
            yield from _word((*path, column), constant, other)


def _unpivots(layout: Layout) -> Found:
    """Constants of unpivoted columns that another part of the layout gives too."""
    for column in layout.unpivoted:
        for i, entry in enumerate(layout.columns[column].unpivot or ()):
            for name in entry.constants:
                if name in layout.columns:
                    yield ("columns", column, "unpivot", i, name), f"{name} is also given by [columns.{name}]"

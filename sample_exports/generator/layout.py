"""A `Spec` as the layout file that reads it."""

import re
from datetime import date
from typing import Any

from .spec import (
    Constant,
    Filler,
    Name,
    NameAbove,
    Number,
    Preamble,
    Spec,
    Stamp,
    StampAbove,
    Text,
    UnitOf,
    Wide,
)

UTF_8 = "utf-8"
_BARE = re.compile(r"^[A-Za-z0-9_-]+$")


def _turned(words: dict[str, str]) -> dict[str, str]:
    """The export's word -> the contract's word."""
    return {written: ours for ours, written in words.items()}


def _file(spec: Spec) -> dict[str, Any]:
    """The `[file]` table: what differs from the default."""
    if spec.workbook:
        return {}
    table: dict[str, Any] = {}
    if spec.encoding != UTF_8:
        table["encoding"] = spec.encoding
    if spec.delimiter != ",":
        table["delimiter"] = spec.delimiter
    if spec.decimal != ".":
        table["decimal"] = spec.decimal
    if spec.null_word:
        table["null"] = ["", spec.null_word]
    if spec.comment:
        table["comment"] = spec.comment
    if spec.trailer:
        table["trailer"] = [spec.trailer]
    return table


def _constant(constant: Constant) -> dict[str, Any]:
    """A `value`, dated or not, with its unit."""
    value: Any = constant.value
    if constant.dated:
        value = []
        for number, (starts, one) in enumerate(constant.dated):
            entry: dict[str, Any] = {} if starts is None else {"from": starts}
            if number + 1 < len(constant.dated):
                entry["until"] = constant.dated[number + 1][0]
            value.append({**entry, "is": one})
    return {"value": value, **({"unit": constant.unit} if constant.unit else {})}


def _preamble(fact: Preamble) -> dict[str, Any]:
    """A fact above the header."""
    table: dict[str, Any] = {"preamble": fact.label}
    if fact.unit:
        table["unit"] = fact.unit
    if fact.words:
        table["map"] = _turned(fact.words)
    return table


def _wide(entries: list[Wide]) -> dict[str, Any]:
    """The `unpivot` of the columns of one target."""
    unit = {} if entries[0].own_unit else {"unit": entries[0].unit}
    return {
        **unit,
        "unpivot": [
            {"from": one.header, one.adds[0]: one.adds[1], **({"unit": one.unit} if one.own_unit else {})}
            for one in entries
        ],
    }


def _time(spec: Spec) -> dict[str, Any]:
    """The `performed_at` column."""
    headers = [column.header for column in spec.columns if isinstance(column, Stamp)]
    labels = [fact.label for fact in spec.preamble if isinstance(fact, StampAbove)]
    zone = {"timezone": spec.timezone} if spec.timezone else {}
    key, names = ("from", headers) if headers else ("preamble", labels)
    source = {key: names[0] if len(names) == 1 else names} if names else {}
    return {**source, "format": spec.time_format(), **zone}


def _columns(spec: Spec) -> dict[str, Any]:
    """All `[columns.…]` tables."""
    found: dict[str, Any] = {"performed_at": _time(spec)}
    wide: dict[str, list[Wide]] = {}
    for column in spec.columns:
        if isinstance(column, Name):
            found["athlete"] = {"from": column.header}
        elif isinstance(column, Text):
            words = {"map": _turned(column.words)} if column.words else {}
            found[column.target] = {"from": column.header, **words}
        elif isinstance(column, Number):
            unit = {"unit": column.unit} if column.unit else {}
            found.setdefault(column.target, {}).update({"from": column.header, **unit})
        elif isinstance(column, UnitOf):
            found.setdefault(column.of.target, {})["unit_from"] = column.header
        elif isinstance(column, Wide):
            wide.setdefault(column.target, []).append(column)
    found |= {target: _wide(entries) for target, entries in wide.items()}
    found |= {constant.target: _constant(constant) for constant in spec.constants}
    found |= {fact.target: _preamble(fact) for fact in spec.preamble if isinstance(fact, Preamble)}
    for fact in spec.preamble:
        if isinstance(fact, NameAbove):
            found["athlete"] = {"preamble": fact.label}
    for target, pattern in spec.filename:
        found[target] = {"filename": pattern, **found.get(target, {})}
    return found


def layout_of(spec: Spec) -> dict[str, Any]:
    """The layout as the tables of its TOML file."""
    ignored = [column.header for column in spec.columns if isinstance(column, Filler)]
    table: dict[str, Any] = {"layout": spec.layout, "family": spec.device_family}
    table["device"] = spec.device
    if spec.method_version:
        table["method_version"] = spec.method_version
    if ignored:
        table["ignore"] = ignored
    pattern = "*.xlsx" if spec.workbook else "*.csv"
    table["match"] = {"folder": spec.device, "filename": pattern, "header": list(spec.match)}
    if read_as := _file(spec):
        table["file"] = read_as
    return {**table, "columns": _columns(spec)}


def _key(key: str) -> str:
    """A key, quoted where it has to be."""
    return key if _BARE.match(key) else _value(key)


def _value(value: Any) -> str:
    """A TOML value on one line."""
    if isinstance(value, dict):
        return "{ " + ", ".join(f"{_key(key)} = {_value(one)}" for key, one in value.items()) + " }"
    if isinstance(value, list):
        return "[" + ", ".join(_value(one) for one in value) + "]"
    if isinstance(value, str):
        escaped = value.replace("\\", "\\\\").replace('"', '\\"').replace("\t", "\\t")
        return f'"{escaped}"'
    return value.isoformat() if isinstance(value, date) else str(value)


def toml_text(table: dict[str, Any], path: str = "") -> str:
    """`table` as TOML: plain keys first, sub-tables after; tables below `columns.x` stay on their line."""
    deep = {key: one for key, one in table.items() if isinstance(one, dict) and path.count(".") < 1}
    lines = [f"{key} = {_value(one)}" for key, one in table.items() if key not in deep]
    text = (f"[{path}]\n" if path and lines else "") + "".join(line + "\n" for line in lines)
    for key, one in deep.items():
        text += "\n" + toml_text(one, f"{path}.{key}" if path else key).lstrip("\n")
    return text

"""A TOML file with the line of each key, and pydantic's complaints about it in plain words."""

from __future__ import annotations

import copy
import re
import tomllib
import types
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Annotated, Any, Literal, TypeVar, Union, get_args, get_origin

from pydantic import BaseModel, ValidationError

from pipeline.facility.problems import Problem, meant, nearest_known, shown
from pipeline.facility.toml_lines import Path as KeyPath
from pipeline.facility.toml_lines import key_lines

Model = TypeVar("Model", bound=BaseModel)

_EXPECTED = {
    "string_type": "a text in quotes",
    "int_type": "a whole number",
    "int_from_float": "a whole number",
    "float_type": "a number",
    "bool_type": "true or false",
    "date_type": "a date such as 2026-02-28, without quotes",
    "datetime_type": "a date such as 2026-02-28, without quotes",
    "tuple_type": "a list in [ ]",
    "dict_type": "a table of keys and values",
    "model_type": "a table of keys and values",
    "literal_error": "one of {expected}",
    "greater_than_equal": "{ge:g} or more",
    "greater_than": "more than {gt:g}",
    "finite_number": "a number that is not infinite",
    "string_too_short": "some text",
    "too_long": "{max_length} values",
}


@dataclass(frozen=True)
class TomlFile:
    """What a TOML file says, and on which line. `name` is how messages call the file."""

    name: str
    data: dict[str, Any]
    lines: dict[KeyPath, int]

    def locate(self, path: KeyPath) -> int | None:
        """Line of a key; of the key or table around it where it has none of its own."""
        while path and path not in self.lines:
            path = path[:-1]
        return self.lines.get(path)

    def problem(
        self, path: KeyPath, message: str, severity: Literal["mistake", "look"] = "mistake"
    ) -> Problem:
        """A problem with the key at `path`."""
        return Problem(self.name, self.locate(path), dotted(path), message, severity)


def dotted(path: KeyPath) -> str:
    """A path as people write it: `columns.split_time_s.unpivot[2].from` (entries counted from 1)."""
    text = ""
    for step in path:
        text += f"[{step + 1}]" if isinstance(step, int) else f".{step}"
    return text.removeprefix(".")


def read_toml(path: Path, name: str) -> tuple[TomlFile | None, list[Problem]]:
    """Read a TOML file (UTF-8, a byte order mark is fine); None and the problem where it is not TOML."""
    return parse_toml(path.read_bytes(), name)


def parse_toml(raw: bytes, name: str) -> tuple[TomlFile | None, list[Problem]]:
    """The bytes of a TOML file, as `read_toml` reads them."""
    try:
        # As files opened for text do: a lone CR is no line end to TOML and stays an error.
        text = raw.decode("utf-8-sig").replace("\r\n", "\n")
    except UnicodeDecodeError as error:
        line = raw.count(b"\n", 0, error.start) + 1
        return None, [Problem(name, line, None, "this line is not UTF-8 text; save the file as UTF-8")]
    try:
        return TomlFile(name, tomllib.loads(text), key_lines(text)), []
    except tomllib.TOMLDecodeError as error:
        return None, [_syntax_problem(name, text, str(error))]


def _syntax_problem(name: str, text: str, said: str) -> Problem:
    found = re.search(r" \(at line (\d+), column (\d+)\)$", said)
    line = int(found[1]) if found else max(len(text.splitlines()), 1)
    what = said[: found.start()] if found else re.sub(r" \(at end of document\)$", "", said)
    message = f'this is not valid TOML ({what}); a line looks like `key = "text"`, `key = 5` or `[table]`'
    return Problem(name, line, None, message)


def check_model(
    model: type[Model], file: TomlFile, data: object, at: KeyPath = ()
) -> tuple[Model | None, list[Problem]]:
    """`data`, found at `at` in the file, as a model; None and all that is wrong where it does not fit.

    A needed key that is misspelled is one problem, not an unknown key and a missing one.
    """
    try:
        return model.model_validate(data), []
    except ValidationError as error:
        faults = {tuple(fault["loc"]): fault for fault in error.errors(include_url=False)}
        unknown = [path for path, fault in faults.items() if fault["type"] == "extra_forbidden"]
        slips = {(*path[:-1], meant(str(path[-1]), known_keys(model, path[:-1]))) for path in unknown}
        return None, [
            file.problem((*at, *path), _words(model, path, fault))
            for path, fault in faults.items()
            if not (fault["type"] == "missing" and path in slips)
        ]


def check_rest(
    model: type[Model], file: TomlFile, stand_ins: Mapping[str, object]
) -> tuple[Model | None, list[KeyPath]]:
    """The model of what is left of a file without its faulty keys, and their paths: to check the rest.

    `stand_ins`: by key, what to put where a needed key is missing. None where too little is left.
    """
    data = copy.deepcopy(file.data)
    faulty: list[KeyPath] = []
    for _ in range(5):  # taking out a key can leave a table that lacks one it needs, and so on upwards
        try:
            return model.model_validate(data), faulty
        except ValidationError as error:
            for fault in error.errors(include_url=False):
                path = _without_index(tuple(fault["loc"]))
                is_missing = fault["type"] == "missing"
                if is_missing and path[-1] in stand_ins:
                    _around(data, path)[path[-1]] = stand_ins[str(path[-1])]
                else:
                    path = _without_index(path[:-1]) if is_missing else path
                    if not path:
                        return None, faulty
                    _around(data, path).pop(path[-1], None)
                faulty.append(path)
    return None, faulty


def _without_index(path: KeyPath) -> KeyPath:
    """The path of the list, where it ends in one of its entries."""
    while path and isinstance(path[-1], int):
        path = path[:-1]
    return path


def _around(data: Any, path: KeyPath) -> Any:
    """The table that holds the last key of a path."""
    for step in path[:-1]:
        data = data[step]
    return data


def _words(model: type[BaseModel], path: KeyPath, fault: Mapping[str, Any]) -> str:
    kind, context = fault["type"], fault.get("ctx", {})
    if kind == "extra_forbidden":
        near = nearest_known(str(path[-1]), known_keys(model, path[:-1]))
        return f"unknown key {str(path[-1])!r}; {near}. Rename it or take it out."
    if kind == "missing":
        return "this is missing and needed; add it"
    if kind == "value_error":
        return str(context["error"])
    expected = _EXPECTED.get(kind, fault["msg"]).format(**context)
    return f"{shown(fault['input'])} is not right here; expected: {expected}"


def known_keys(kind: Any, path: KeyPath) -> list[str]:
    """Keys that the model at `path` below a model (or dict, tuple or list of models) knows."""
    for option in _options(kind):
        if isinstance(option, type) and issubclass(option, BaseModel):
            fields = {field.alias or name: field.annotation for name, field in option.model_fields.items()}
            return known_keys(fields[str(path[0])], path[1:]) if path else list(fields)
        if path and get_origin(option) in (dict, tuple, list):
            return known_keys(get_args(option)[1 if get_origin(option) is dict else 0], path[1:])
    return []


def _options(kind: Any) -> Iterator[Any]:
    """The types that a field may have, without Annotated and None."""
    if get_origin(kind) is Annotated:
        yield from _options(get_args(kind)[0])
    elif get_origin(kind) in (Union, types.UnionType):
        for part in get_args(kind):
            yield from _options(part)
    elif kind is not type(None):
        yield kind

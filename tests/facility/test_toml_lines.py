"""The locator against Python's own TOML reader: every key it finds has a line, and the right one."""

from __future__ import annotations

import tomllib
from collections.abc import Iterator
from typing import Any

from hypothesis import given, settings
from hypothesis import strategies as st

from pipeline.facility.toml_lines import Path, key_lines

GNARLY = '''# a comment with [brackets] and key = 1
title = "a # no comment, [no table]"
"quoted key" = 1
a.b.'c.d' = 2
text = """
x = 1
[not.a.table] \\""" still
"""""
raw = \'\'\'
y = "2"
\'\'\'
many = [ # remark
  1, "two, ]",
  [3, { x = 4, y = [5] }],   # }
]
when = 1979-05-27 07:32:00

[table] # remark
inline = { from = "a", deep.er = { z = 1 } }
[table.sub]
k = 1
[[list]]
k = 1
[list.sub]
k = 2
[[list.inner]]
k = 3
[[list]]
[[list.inner]]
k = 4
[[list.inner]]
k = 5
'''


def paths(data: Any, at: Path = ()) -> Iterator[Path]:
    """Every path of parsed TOML."""
    if at:
        yield at
    steps = data.items() if isinstance(data, dict) else enumerate(data) if isinstance(data, list) else ()
    for step, inner in steps:
        yield from paths(inner, (*at, step))


def test_every_key_has_its_line() -> None:
    lines = key_lines(GNARLY)
    assert set(lines) == set(paths(tomllib.loads(GNARLY)))
    text = GNARLY.split("\n")
    assert text[lines["a", "b", "c.d"] - 1].startswith("a.b.")
    assert text[lines["raw",] - 1].startswith("raw")
    assert lines["many", 2, 1, "y", 0] == lines["many", 0] + 1
    assert text[lines["when",] - 1].startswith("when")
    assert text[lines["table", "inline", "deep", "er", "z"] - 1].startswith("inline")
    assert text[lines["list", 0, "inner", 0, "k"] - 1] == "k = 3"
    assert text[lines["list", 1, "inner", 1, "k"] - 1] == "k = 5"
    assert text[lines["list", 0, "sub"] - 1] == "[list.sub]"


keys = st.text("ab-_ .\"'#=[]é\\", min_size=1, max_size=4)
values = st.recursive(
    st.integers(0, 9) | st.text("a\"'\\#,]}", max_size=5),
    lambda inner: st.lists(inner, max_size=3) | st.dictionaries(keys, inner, max_size=3),
    max_leaves=8,
)


def basic(text: str) -> str:
    return '"' + text.replace("\\", "\\\\").replace('"', '\\"') + '"'


def written(value: Any) -> str:
    if isinstance(value, dict):
        return "{" + ", ".join(f"{basic(k)} = {written(v)}" for k, v in value.items()) + "}"
    if isinstance(value, list):
        return "[" + ",".join(written(v) for v in value) + "]"
    return basic(value) if isinstance(value, str) else str(value)


@settings(deadline=None, max_examples=60)
@given(st.dictionaries(keys, values, max_size=6))
def test_any_document_one_key_a_line(data: dict[str, Any]) -> None:
    text = "".join(f"{basic(key)} = {written(value)} # = [\n" for key, value in data.items())
    assert tomllib.loads(text) == data
    order = {key: line for line, key in enumerate(data, 1)}
    assert key_lines(text) == {path: order[str(path[0])] for path in paths(data)}

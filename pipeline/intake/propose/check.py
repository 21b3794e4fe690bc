"""A proposed layout tried out: whether the project's own loader takes it, and what it makes of the file."""

from __future__ import annotations

import tomllib
from dataclasses import dataclass

from pydantic import ValidationError

from pipeline.intake.layout_checks import check_layout
from pipeline.intake.layouts import Layout
from pipeline.intake.read import Export, WholeFile, read_export
from pipeline.intake.recognise import Heads, header_row
from pipeline.intake.typed import read_all


@dataclass(frozen=True)
class Trial:
    """What became of trying: what the loader lacks, or how many of `lines` are read, and the problems."""

    lacks: tuple[str, ...]
    lines: int = 0
    read: int = 0
    held: tuple[str, ...] = ()


def try_out(text: str, name: str, data: bytes) -> Trial:
    """Load a layout's text as those of a facility are, and read the file through it; nothing is stored."""
    try:
        layout = Layout.model_validate(tomllib.loads(text))
    except ValidationError as error:
        return Trial(tuple(f"{'.'.join(map(str, one['loc']))}: {one['msg']}" for one in error.errors()))
    problems = check_layout(layout, layout.layout, None)
    if problems:
        return Trial(tuple(dict.fromkeys(f"{'.'.join(map(str, at))}: {said}" for at, said in problems)))
    export = Export(name, data)
    head = Heads(export).of(layout)
    at = header_row(head, layout.header_names)
    if at is None:
        return Trial(("match.header: no row of the file has all these names",))
    texts = read_export(export, layout, head, at, "UTC", {})
    if isinstance(texts, WholeFile):
        return Trial((texts.reason,))
    reading = read_all([texts])[0]
    skipped = set(reading.skipped["line"])
    bad = set(reading.problems["line"].drop_nulls())
    n_lines = reading.n_lines - len(skipped)
    counts = (
        reading.problems.group_by("code", "reason", maintain_order=True).len().sort("len", descending=True)
    )
    held = tuple(f"{n} x {reason}" for _, reason, n in counts.head(4).iter_rows())
    return Trial((), n_lines, n_lines - len(bad), held)

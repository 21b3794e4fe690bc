"""A layout's quantities: the unit of each, and the columns that become rows of their own."""

from __future__ import annotations

from pipeline.intake.propose.assign import FamilyMap
from pipeline.intake.propose.choices import Choice
from pipeline.intake.propose.columns import Column, Marks
from pipeline.intake.propose.draft import DOUBTFUL, Draft, one_line, toml
from pipeline.intake.propose.fit import fit_unit
from pipeline.intake.propose.wide import Entry
from schemas.core import Field


def write_unit(draft: Draft, at: str, column: Column, spec: Field, best: FamilyMap, marks: Marks) -> None:
    """The unit of a column: from its name, a column of units, the way it is written, or by size."""
    found = fit_unit(column, spec, marks)
    if found is not None and found.source == "column" and best.unit_from is not None:
        _unit_from(draft, at, best.unit_from)
        return
    unit = found.unit if found is not None and found.unit else None
    if unit is None and column.name.unit not in (None, "none"):
        unit = column.name.unit
        draft.choose(f"{at}.unit", f"unit = {toml(unit)}", "from the name; the column is empty in this file")
        return
    if unit is None:
        draft.ask(
            f"{at}.unit", [f"unit = {toml(u)}" for u in (spec.unit or "?").split(" or ")], "in which unit?"
        )
        return
    assert found is not None
    _say_unit(draft, f"{at}.unit", f"unit = {toml(unit)}", unit, found.source, column)


def _unit_from(draft: Draft, at: str, column: Column) -> None:
    said = f"the column {column.name.written!r} has a unit on each line: {', '.join(column.words[:6])}"
    draft.choose(f"{at}.unit_from", f"unit_from = {toml(column.name.written)}", said)


def _say_unit(draft: Draft, at: str, written: str, unit: str, source: str, column: Column) -> None:
    shown = ", ".join(column.words[:3])
    if source == "name":
        draft.choose(at, written, f"from the name {column.name.written!r}")
    elif source == "written":
        draft.choose(at, written, f"the cells are written so: {shown}")
    else:
        said = f"no unit is written; by their size ({shown}) the numbers may be in {unit}"
        draft.choose(at, written, said, "doubtful")


def write_unpivot(draft: Draft, target: str, entries: list[Entry], unit_from: Column | None) -> None:
    """Columns that become rows of their own, with their constants and units."""
    at = f"columns.{target}"
    draft.table(at)
    units = {entry.unit for entry in entries}
    first = entries[0]
    if units == {""} and unit_from is not None:
        _unit_from(draft, at, unit_from)
    elif len(units) == 1:
        _say_unit(
            draft, f"{at}.unit", f"unit = {toml(first.unit)}", first.unit, first.unit_source, first.column
        )
    draft.lines.append("unpivot = [")
    for entry in entries:
        parts = [f"from = {toml(entry.column.name.written)}"]
        parts += [f"{name} = {toml(value)}" for name, value in entry.constants]
        parts += [f"unit = {toml(entry.unit)}"] if len(units) > 1 else []
        constants = ", ".join(f"{name} {value}" for name, value in entry.constants)
        said = f"the name {entry.column.name.written!r} says {constants}"
        doubts = [] if entry.sure else [f"{said}, or nearly"]
        if len(units) > 1 and entry.unit_source == "size":
            doubts.append(
                f"the unit {entry.unit} is by the size of the numbers ({', '.join(entry.column.words[:3])})"
            )
        standing = "doubtful" if doubts else "sure"
        draft.choices.append(Choice(f"{at}.unpivot", ", ".join(parts), "; ".join(doubts) or said, standing))  # type: ignore[arg-type]
        draft.lines += [f"    # {DOUBTFUL}: {one_line(doubt)}" for doubt in doubts]
        draft.lines.append(f"    {{ {', '.join(parts)} }},")
    draft.lines.append("]")

"""A family's reading of the columns as a layout."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import PurePosixPath

from rapidfuzz import process

from pipeline.facility.problems import nearest
from pipeline.intake.columns import MARKS
from pipeline.intake.propose.assign import Mapping_, Match, Weigher
from pipeline.intake.propose.choices import Choice
from pipeline.intake.propose.columns import Column, Marks
from pipeline.intake.propose.draft import Draft, toml, toml_key
from pipeline.intake.propose.fit import fit_unit
from pipeline.intake.propose.moments import find_moment, writes_months
from pipeline.intake.propose.sniff import Sheet
from pipeline.intake.propose.wide import Entry
from pipeline.intake.propose.words import has_words, plain, word_of
from schemas.core import Field

_MOST_WORDS = 60  # more than this in a column are names, and no words for a map
_HINTS = {
    "timing_gates": ("start", "start_offset_m", "timing", "surface"),
    "contact_mat": ("hands", "leg", "added_load_kg"),
    "bar_speed": ("implement", "side", "intent"),
    "neck_dynamometer": ("posture", "lever_arm_m"),
    "skinfold_calipers": ("measurer",),
    "resisted_sprint": ("pull", "surface"),
}


@dataclass(frozen=True)
class Place:
    """Where the file lies and what the facility has: its device, its folder, the tests it declares."""

    layout: str
    device: str
    device_reason: str
    device_known: bool
    folder: str | None
    tests: Mapping[str, str]


def compose(
    sheet: Sheet,
    marks: Marks,
    nulls: list[str],
    choices: list[Choice],
    weigher: Weigher,
    mappings: list[Mapping_],
    place: Place,
    fixed: bool,
) -> Draft:
    """The layout of the best of several readings of the columns."""
    best = mappings[0]
    draft = Draft()
    draft.choose("layout", f"layout = {toml(place.layout)}", "must be the same as the file's name", tell=True)
    _family(draft, mappings, fixed)
    standing = "sure" if place.device_known else "doubtful"
    draft.choose("device", f"device = {toml(place.device)}", place.device_reason, standing)  # type: ignore[arg-type]
    _ignored(draft, sheet, best)
    _match(draft, sheet, best, place)
    _file(draft, sheet, marks, nulls, choices)
    _moment(draft, sheet, best, weigher)
    _columns(draft, sheet, best, weigher, place)
    return draft


def _family(draft: Draft, mappings: list[Mapping_], fixed: bool) -> None:
    best = mappings[0]
    written = f"family = {toml(best.family.name)}"
    if fixed:
        draft.choose("family", written, "the device's family in config/facility.toml")
        return
    others = [m for m in mappings[1:] if m.score > 0.8 * best.score]
    seen = sorted([*best.matches, *(f"{e.target} in columns" for e in best.entries[:1])])
    reason = f"its columns fit: {', '.join(seen)}"
    if others or best.score < 3:
        names = " or ".join(m.family.name for m in others) or "another family"
        draft.choose("family", written, f"{reason}; {names} may fit as well", "doubtful")
    else:
        draft.choose("family", written, reason)


def _ignored(draft: Draft, sheet: Sheet, best: Mapping_) -> None:
    """Columns that no field takes, each with what is in it."""
    if not best.left and len(set(sheet.names)) == len(sheet.names):
        return
    draft.comment("Left out: no field of the family takes these. Map one after all where that is wrong.")
    draft.lines.append("ignore = [")
    for column in best.left:
        shown = ", ".join(column.words[:3]) or "nothing"
        reason = f"no field fits its name and cells ({shown}{', ...' if len(column.words) > 3 else ''})"
        draft.choices.append(Choice("ignore", column.name.written, reason))
        draft.lines.append(f"    {toml(column.name.written)},  # {' '.join(shown.split())[:60]}")
    for name in dict.fromkeys(name for name in sheet.names if sheet.names.count(name) > 1 and name):
        reason = "the name occurs twice, so its columns can't be told apart; rename one in the export"
        draft.choices.append(Choice("ignore", name, reason, "doubtful"))
        draft.lines.append(f"    {toml(name)},  # DOUBTFUL: {reason}")
    draft.lines.append("]")


def _match(draft: Draft, sheet: Sheet, best: Mapping_, place: Place) -> None:
    draft.table("match")
    if place.folder:
        draft.choose("match.folder", f"folder = {toml(place.folder)}", "where the file lies, or its device", tell=True)
    suffix = PurePosixPath(sheet.name).suffix.lower() or ".csv"
    draft.choose("match.filename", f"filename = {toml('*' + suffix)}", "every file of this kind")
    names = [column.name.written for column in _in_header(best, sheet)]
    draft.choose("match.header", f"header = {toml(names)}", f"the header row is line {sheet.header_line}", tell=True)


def _in_header(best: Mapping_, sheet: Sheet) -> list[Column]:
    """The columns by which the header row is known: who, when, and what is measured."""
    used = [match.column for match in best.matches.values()] + [entry.column for entry in best.entries]
    used = [column for column in used if column.name.written in sheet.names]
    wanted = ["athlete", "performed_at", "date", *best.family.required, *best.family.values]
    telling = [best.matches[name].column for name in wanted if name in best.matches]
    telling = [column for column in telling if column in used] + [e.column for e in best.entries[:2]]
    chosen = list({id(column): column for column in telling}.values())[:5]
    return chosen if len(chosen) > 1 else used[:5]


def _file(draft: Draft, sheet: Sheet, marks: Marks, nulls: list[str], choices: list[Choice]) -> None:
    draft.table("file")
    by_key: dict[str, list[Choice]] = {}
    for choice in [*sheet.choices, *choices]:
        by_key.setdefault(choice.key, []).append(choice)
    values = {
        "encoding": sheet.dialect.encoding,
        "delimiter": sheet.dialect.delimiter,
        "decimal": marks.decimal,
        "thousands": marks.thousands,
        "null": nulls,
        "comment": sheet.dialect.comment,
        "trailer": list(sheet.dialect.trailer),
        "multiline": sheet.dialect.multiline,
        "sheet": sheet.sheet,
    }
    if sheet.workbook:
        del values["encoding"], values["delimiter"]
    for key, value in values.items():
        told = by_key.get(f"file.{key}", [])
        if value in (None, "", [], False) or (key == "null" and nulls == [""]):
            continue
        standing = "doubtful" if any(choice.standing != "sure" for choice in told) else "sure"
        reason = "; ".join(choice.reason for choice in told)
        draft.choose(f"file.{key}", f"{key} = {toml(value)}", reason, standing, tell=bool(reason))  # type: ignore[arg-type]
    draft.note(by_key.get("file", []))


def _moment(draft: Draft, sheet: Sheet, best: Mapping_, weigher: Weigher) -> None:
    """When it was done: one column, or a date and a time."""
    draft.table("columns.performed_at")
    whole, day, clock = (best.matches.get(name) for name in ("performed_at", "date", "time"))
    parts = [whole] if whole else [part for part in (day, clock) if part is not None]
    if not whole and not day:
        _no_date(draft, sheet, weigher)
        return
    above = [part.column.name.written not in sheet.names for part in parts]
    if len(set(above)) > 1:
        said = f"{parts[1].column.name.written!r} has the time, but stands elsewhere than the date: left out"
        draft.comment(said, DOUBTFUL_MARK)
        draft.choices.append(Choice("columns.performed_at", "", said, "doubtful"))
        parts = parts[:1]
    source = "preamble" if above[0] else "from"
    names = [part.column.name.written for part in parts]
    reason = "the cells are dates and times" if whole or clock else "the cells are dates; no time of day is known"
    draft.choose(f"columns.performed_at.{source}", f"{source} = {toml(names if len(names) > 1 else names[0])}", reason)
    moments = [find_moment(part.column.texts, part.column.lines) for part in parts]
    tail = f" {moments[1].formats[0]}" if len(moments) > 1 and moments[1] else ""
    first = moments[0]
    if first is None:
        return
    formats = [f"format = {toml(fmt + tail)}" for fmt in first.formats]
    if len(formats) == 1:
        draft.choose("columns.performed_at.format", formats[0], first.proof, tell=True)
    else:
        advice = "take the right line in, and look at an export of another day to be sure"
        draft.ask("columns.performed_at.format", formats, f"{first.proof}; {advice}")


DOUBTFUL_MARK = "DOUBTFUL"


def _no_date(draft: Draft, sheet: Sheet, weigher: Weigher) -> None:
    written = [column for column in weigher.all if writes_months(column.texts)]
    if written:
        name = written[0].name.written
        said = f"{name!r} writes the month as a word ({written[0].words[0]!r}); a layout's format can't read that"
        draft.ask("columns.performed_at", [f"from = {toml(name)}"], f"{said}: let the device write numbers")
        return
    if found := _date_in(sheet.name):
        pattern, fmt, text = found
        draft.choose(
            "columns.performed_at.filename",
            f"filename = {toml(pattern)}",
            f"no column has a date; the file's name has {text}: is it the day of the test, or of the export?",
            "doubtful",
        )
        draft.choose("columns.performed_at.format", f"format = {toml(fmt)}", "the year stands first")
        return
    draft.ask("columns.performed_at", ['from = "..."', 'format = "..."'], "no column is a date; which is it?")


def _date_in(name: str) -> tuple[str, str, str] | None:
    """A date with the year first in a file's name: a pattern for it, its format, its text."""
    import re

    if found := re.search(r"20\d\d-[01]\d-[0-3]\d", name):
        return r"(?P<performed_at>20\d\d-\d\d-\d\d)", "%Y-%m-%d", found[0]
    if found := re.search(r"(?<!\d)20\d\d[01]\d[0-3]\d(?!\d)", name):
        return r"(?<!\d)(?P<performed_at>20\d\d\d\d\d\d)(?!\d)", "%Y%m%d", found[0]
    return None


def _columns(draft: Draft, sheet: Sheet, best: Mapping_, weigher: Weigher, place: Place) -> None:
    order = ["athlete", "session", *(field.name for field in best.family.columns), "mark"]
    entries: dict[str, list[Entry]] = {}
    for entry in best.entries:
        entries.setdefault(entry.target, []).append(entry)
    given = {name for entry in best.entries for name, _ in entry.constants}
    for target in order:
        if target in best.matches:
            _column(draft, sheet, target, best, weigher, place)
        elif target in entries:
            _unpivot(draft, target, entries[target], best.unit_from)
        elif target == "athlete" or (target in best.family.required and target not in given):
            _missing(draft, sheet, target, best, weigher)
    absent = [n for n in _HINTS.get(best.family.name, ()) if n not in best.matches and n not in given]
    if absent:
        draft.lines.append("")
        draft.comment(
            f"The export does not say {', '.join(absent)}. Where it is always the same, add it, for example: "
            f'[columns.{absent[0]}] value = "...". What is left out is unknown, and unknown compares with unknown only.'
        )


def _column(
    draft: Draft, sheet: Sheet, target: str, best: Mapping_, weigher: Weigher, place: Place
) -> None:
    match = best.matches[target]
    column = match.column
    at = f"columns.{target}"
    draft.table(at)
    source = "from" if column.name.written in sheet.names else "preamble"
    reason, doubtful = _why(match)
    names = [one.name.written for one in best.names] if target == "athlete" and best.names else column.name.written
    written = f"{source} = {toml(names)}"
    draft.choose(f"{at}.{source}", written, reason, "doubtful" if doubtful else "sure")
    spec = next((field for field in best.family.columns if field.name == target), None)
    if spec is not None and spec.type == "real":
        _unit(draft, at, column, spec, best, weigher.marks)
    elif target == "mark" or (spec is not None and spec.type == "text"):
        _words(draft, at, target, column, spec, best, place)


def _why(match: Match) -> tuple[str, bool]:
    name, shown = match.column.name.written, ", ".join(match.column.words[:3]) or "empty"
    if match.name >= 0.5:
        return f"the name {name!r} says so, and the cells fit ({shown})", False
    if match.fit >= 0.75:
        return f"the cells say so ({shown}); the name {name!r} says little", False
    return f"the name {name!r} says little; the cells would fit ({shown}): is it this?", True


def _unit(draft: Draft, at: str, column: Column, spec: Field, best: Mapping_, marks: Marks) -> None:
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
        draft.ask(f"{at}.unit", [f"unit = {toml(u)}" for u in (spec.unit or "?").split(" or ")], "in which unit?")
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


def _words(
    draft: Draft, at: str, target: str, column: Column, spec: Field | None, best: Mapping_, place: Place
) -> None:
    """A map of the export's words, where they are not the family's own."""
    if best.family.name == "other_tests" and target == "test":
        _own_tests(draft, at, column, place)
        return
    values = MARKS if target == "mark" else (spec.values if spec is not None else ())
    words = column.words
    if not has_words(target) or len(words) > _MOST_WORDS or (values and set(words) <= set(values)):
        return
    found = {word: word_of(target, word, values) for word in words}
    if target == "accommodating":
        found |= {word: _what_is_there(column) for word in words if word_of("mark", word, ("ok",)) is not None}
    if not values and not any(found.values()):
        return
    if not words:
        return
    draft.table(f"{at}.map")
    if values:
        draft.comment(f"{target} is one of: {', '.join(values)}. A word that is not here holds its line.")
    for word, hit in found.items():
        _word(draft, f"{at}.map", word, hit, values)


def _word(
    draft: Draft, at: str, word: str, hit: tuple[str, bool] | None, values: tuple[str, ...]
) -> None:
    key = toml_key(word)
    if hit is not None and hit[1]:
        draft.choose(at, f"{key} = {toml(hit[0])}", "a word of the trade for it")
    elif hit is not None:
        draft.choose(at, f"{key} = {toml(hit[0])}", f"{word!r} resembles a word for it", "doubtful")
    elif values:
        draft.ask(at, [f'{key} = "..."'], f"what does {word!r} mean?")
    else:
        draft.choose(at, f"{key} = {toml(word)}", f"{word!r} is kept as it is: no list has it", "doubtful")


def _what_is_there(column: Column) -> tuple[str, bool] | None:
    """What a yes means in a column that is named by what makes the load grow."""
    hit = word_of("accommodating", column.name.written)
    return (hit[0], True) if hit is not None else None


def _own_tests(draft: Draft, at: str, column: Column, place: Place) -> None:
    """Tests of the facility's own: its names as they are, or a map to the likest declared ones."""
    undeclared = [word for word in column.words if word not in place.tests]
    if not undeclared or len(column.words) > _MOST_WORDS:
        return
    if not place.tests:
        said = f"each must be declared in config/metrics.toml: {', '.join(column.words[:8])}"
        draft.choices.append(Choice(at, "", said, "doubtful"))
        draft.comment(said, DOUBTFUL_MARK)
        return
    draft.table(f"{at}.map")
    for word in column.words:
        if word in place.tests:
            draft.choose(f"{at}.map", f"{toml_key(word)} = {toml(word)}", "declared in config/metrics.toml")
            continue
        likest = process.extractOne(plain(word), {test: plain(test) for test in place.tests})
        if likest is not None and likest[1] >= 90:
            said = f"{word!r} resembles the declared test {likest[2]}"
            draft.choose(f"{at}.map", f"{toml_key(word)} = {toml(likest[2])}", said, "doubtful")
        else:
            near = nearest(word, place.tests)
            said = f"{word!r} is no test of config/metrics.toml (the likest: {near}); declare it, or say which it is"
            draft.ask(f"{at}.map", [f"{toml_key(word)} = {toml(near or word)}"], said)


def _unpivot(draft: Draft, target: str, entries: list[Entry], unit_from: Column | None) -> None:
    at = f"columns.{target}"
    draft.table(at)
    units = {entry.unit for entry in entries}
    first = entries[0]
    if units == {""} and unit_from is not None:
        _unit_from(draft, at, unit_from)
    elif len(units) == 1:
        _say_unit(draft, f"{at}.unit", f"unit = {toml(first.unit)}", first.unit, first.unit_source, first.column)
    draft.lines.append("unpivot = [")
    for entry in entries:
        parts = [f"from = {toml(entry.column.name.written)}"]
        parts += [f"{name} = {toml(value)}" for name, value in entry.constants]
        parts += [f"unit = {toml(entry.unit)}"] if len(units) > 1 else []
        constants = ", ".join(f"{name} {value}" for name, value in entry.constants)
        said = f"the name {entry.column.name.written!r} says {constants}"
        doubts = [] if entry.sure else [f"{said}, or nearly"]
        if len(units) > 1 and entry.unit_source == "size":
            doubts.append(f"the unit {entry.unit} is by the size of the numbers ({', '.join(entry.column.words[:3])})")
        standing = "doubtful" if doubts else "sure"
        draft.choices.append(Choice(f"{at}.unpivot", ", ".join(parts), "; ".join(doubts) or said, standing))  # type: ignore[arg-type]
        draft.lines += [f"    # {DOUBTFUL_MARK}: {doubt}" for doubt in doubts]
        draft.lines.append(f"    {{ {', '.join(parts)} }},")
    draft.lines.append("]")


def _missing(draft: Draft, sheet: Sheet, target: str, best: Mapping_, weigher: Weigher) -> None:
    """A required field that no column is: what the file's name or the lines above say, or a question."""
    at = f"columns.{target}"
    draft.table(at)
    spec = next((field for field in best.family.columns if field.name == target), None)
    values = spec.values if spec is not None else ()
    said = [line.text for line in sheet.head] + [sheet.name.rsplit(".", 1)[0]]
    if has_words(target):
        for text in said:
            hit = word_of(target, text, values)
            if hit is not None:
                reason = f"no column says it; {text.strip()!r} does: is it so in every file of this layout?"
                draft.choose(f"{at}.value", f"value = {toml(hit[0])}", reason, "doubtful")
                return
    if best.family.name == "timing_gates" and target == "test":
        reason = "no column says what was run: splits of a straight sprint from a start?"
        draft.choose(f"{at}.value", 'value = "linear_sprint"', reason, "doubtful")
        return
    if spec is not None and spec.type == "real":
        options = ["value = 0", *(f"unit = {toml(unit)}" for unit in (spec.unit or "").split(" or "))]
        draft.ask(at, options, f"no column is {target}; what is it always, or which column has it?")
        return
    options = [f"value = {toml(value)}" for value in values] or [f"from = {toml(c.name.written)}" for c in best.left]
    draft.ask(at, options or ['from = "..."'], f"no column is the {target}; which is it, or what is it always?")

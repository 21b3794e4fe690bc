"""A family's reading of the columns as a layout."""

from __future__ import annotations

from pathlib import PurePosixPath

from pipeline.intake.propose.assign import FamilyMap, Match, Weigher
from pipeline.intake.propose.choices import Choice
from pipeline.intake.propose.columns import Column, Marks
from pipeline.intake.propose.draft import Draft, one_line, toml
from pipeline.intake.propose.maps import write_map
from pipeline.intake.propose.place import Place
from pipeline.intake.propose.quantities import write_unit, write_unpivot
from pipeline.intake.propose.sniff import Sheet
from pipeline.intake.propose.when import write_moment
from pipeline.intake.propose.wide import Entry
from pipeline.intake.propose.words import has_words, word_of

_HINTS = {
    "timing_gates": ("start", "start_offset_m", "timing", "surface"),
    "contact_mat": ("hands", "leg", "added_load_kg"),
    "bar_speed": ("implement", "side", "intent"),
    "neck_dynamometer": ("posture", "lever_arm_m"),
    "skinfold_calipers": ("measurer",),
    "resisted_sprint": ("pull", "surface"),
}


def compose(
    sheet: Sheet,
    marks: Marks,
    nulls: list[str],
    choices: list[Choice],
    weigher: Weigher,
    mappings: list[FamilyMap],
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
    write_moment(draft, sheet, best, weigher)
    _columns(draft, sheet, best, weigher, place)
    return draft


def _family(draft: Draft, mappings: list[FamilyMap], fixed: bool) -> None:
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


def _ignored(draft: Draft, sheet: Sheet, best: FamilyMap) -> None:
    """Columns that no field takes, each with what is in it."""
    if not best.left and len(set(sheet.names)) == len(sheet.names):
        return
    draft.comment("Left out: no field of the family takes these. Map one after all where that is wrong.")
    draft.lines.append("ignore = [")
    for column in best.left:
        shown = ", ".join(column.words[:3]) or "nothing"
        reason = f"no field fits its name and cells ({shown}{', ...' if len(column.words) > 3 else ''})"
        draft.choices.append(Choice("ignore", column.name.written, reason))
        draft.lines.append(f"    {toml(column.name.written)},  # {one_line(shown)[:60]}")
    for name in dict.fromkeys(name for name in sheet.names if sheet.names.count(name) > 1 and name):
        reason = "the name occurs twice, so its columns can't be told apart; rename one in the export"
        draft.choices.append(Choice("ignore", name, reason, "doubtful"))
        draft.lines.append(f"    {toml(name)},  # DOUBTFUL: {reason}")
    draft.lines.append("]")


def _match(draft: Draft, sheet: Sheet, best: FamilyMap, place: Place) -> None:
    draft.table("match")
    if place.folder:
        draft.choose(
            "match.folder", f"folder = {toml(place.folder)}", "where the file lies, or its device", tell=True
        )
    suffix = PurePosixPath(sheet.name).suffix.lower() or ".csv"
    draft.choose("match.filename", f"filename = {toml('*' + suffix)}", "every file of this kind")
    names = [column.name.written for column in _in_header(best, sheet)]
    draft.choose(
        "match.header", f"header = {toml(names)}", f"the header row is line {sheet.header_line}", tell=True
    )


def _in_header(best: FamilyMap, sheet: Sheet) -> list[Column]:
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


def _columns(draft: Draft, sheet: Sheet, best: FamilyMap, weigher: Weigher, place: Place) -> None:
    order = ["athlete", "session", *(field.name for field in best.family.columns), "mark"]
    entries: dict[str, list[Entry]] = {}
    for entry in best.entries:
        entries.setdefault(entry.target, []).append(entry)
    given = {name for entry in best.entries for name, _ in entry.constants}
    for target in order:
        if target in best.matches:
            _column(draft, sheet, target, best, weigher, place)
        elif target in entries:
            write_unpivot(draft, target, entries[target], best.unit_from)
        elif target == "athlete" or (target in best.family.required and target not in given):
            _missing(draft, sheet, target, best, weigher)
    absent = [n for n in _HINTS.get(best.family.name, ()) if n not in best.matches and n not in given]
    if absent:
        draft.lines.append("")
        draft.comment(
            f"The export does not say: {', '.join(absent)}. Where one of them is always the same, add it:"
        )
        draft.comment(f'[columns.{absent[0]}] and value = "...". What is left out is unknown.')


def _column(draft: Draft, sheet: Sheet, target: str, best: FamilyMap, weigher: Weigher, place: Place) -> None:
    match = best.matches[target]
    column = match.column
    at = f"columns.{target}"
    draft.table(at)
    source = "from" if column.name.written in sheet.names else "preamble"
    reason, doubtful = _why(match, target)
    names = (
        [one.name.written for one in best.names]
        if target == "athlete" and best.names
        else column.name.written
    )
    written = f"{source} = {toml(names)}"
    draft.choose(f"{at}.{source}", written, reason, "doubtful" if doubtful else "sure")
    spec = next((field for field in best.family.columns if field.name == target), None)
    if spec is not None and spec.type == "real":
        write_unit(draft, at, column, spec, best, weigher.marks)
    elif target == "mark" or (spec is not None and spec.type == "text"):
        write_map(draft, at, target, column, spec, best, place)


def _why(match: Match, target: str) -> tuple[str, bool]:
    """Why a column is taken for a target, and whether a person should look."""
    name, shown = match.column.name.written, ", ".join(match.column.words[:3])
    if match.name >= 0.5 and not match.column.filled:
        return f"the name {name!r} says so; nothing is in the column", False
    if match.name >= 0.5 and match.fit < 0:
        return f"the name {name!r} says so, but the cells look like something else ({shown})", True
    if match.name >= 0.5:
        return f"the name {name!r} says so, and the cells fit ({shown})", False
    if match.fit >= 0.75 and target != "mark":
        return f"the cells say so ({shown}); the name {name!r} says little", False
    return f"the name {name!r} says little; the cells would fit ({shown}): is it this?", True


def _missing(draft: Draft, sheet: Sheet, target: str, best: FamilyMap, weigher: Weigher) -> None:
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
    options = [f"value = {toml(value)}" for value in values] or [
        f"from = {toml(c.name.written)}" for c in best.left
    ]
    draft.ask(
        at, options or ['from = "..."'], f"no column is the {target}; which is it, or what is it always?"
    )

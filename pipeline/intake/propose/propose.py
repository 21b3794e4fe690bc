"""From an unknown file to a proposal: what `yardmark propose` does."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from pathlib import Path

from pipeline.facility.folder import Facility
from pipeline.intake.propose.assign import Weigher, best_mappings
from pipeline.intake.propose.check import Trial, try_out
from pipeline.intake.propose.choices import Choice
from pipeline.intake.propose.columns import find_marks, read_columns, read_preamble
from pipeline.intake.propose.compose import compose
from pipeline.intake.propose.draft import one_line
from pipeline.intake.propose.people import List, find_list
from pipeline.intake.propose.place import device_folder, find_place
from pipeline.intake.propose.roster import propose_roster
from pipeline.intake.propose.sniff import Sheet, first_lines, open_unknown, read_start
from pipeline.intake.read import Export
from pipeline.intake.recognise import layouts_that_fit
from schemas.families import FAMILIES


@dataclass
class Proposal:
    """A proposed file, its choices, and what came of trying it out.

    `kind` is layout or roster; `text` is what to save as `save_as`.
    """

    kind: str
    file: str
    save_as: str
    text: str
    choices: list[Choice] = field(default_factory=list)
    trial: Trial | None = None

    def as_dict(self) -> dict[str, object]:
        """For --json."""
        told: dict[str, object] = {
            "file": self.file,
            "kind": self.kind,
            "save_as": self.save_as,
            self.kind: self.text,
        }
        if self.trial is not None:
            told |= {
                "loadable": not self.trial.lacks,
                "lacks": list(self.trial.lacks),
                "lines": self.trial.lines,
                "lines_read": self.trial.read,
                "would_be_held": list(self.trial.held),
            }
        return told | {"choices": [choice.as_dict() for choice in self.choices]}


def propose(file: Path, facility: Facility | None, name: str | None = None) -> Proposal:
    """A layout for an unknown export, or a roster for a list of people; `name` is the layout's, if known.

    Raises CannotPropose, OSError.
    """
    data = read_start(file)
    sheet = open_unknown(data, file.name)
    marks, choices = find_marks(sheet)
    if sheet.workbook and marks.decimal != ".":
        sheet = open_unknown(data, file.name, marks.decimal)
    columns, nulls, more = read_columns(sheet, marks)
    preamble = read_preamble(sheet.head, sheet.dialect.delimiter, nulls, marks)
    people = find_list(columns)
    known = frozenset() if facility is None else _known_people(facility)
    weigher = Weigher(columns, preamble, marks, known)
    if people is not None and not _has_test_date(weigher, people):
        roster = [] if facility is None else facility.athletes.select("athlete_id", "name").rows()
        text, said = propose_roster(people, file.name, roster)
        return Proposal("roster", file.name, "config/athletes.csv", text, said)
    return _layout(file, data, sheet, weigher, nulls, [*choices, *more], facility, name)


def _has_test_date(weigher: Weigher, people: List) -> bool:
    """Whether a file about people has a day beside their birth dates: then it is of tests."""
    born = people.roles.get("birth_date")
    return any(
        moment is not None and column is not born and weigher.name(at, "ignore") < 0.6
        for at, (column, moment) in enumerate(zip(weigher.all, weigher.moments, strict=True))
    )


def _layout(
    file: Path,
    data: bytes,
    sheet: Sheet,
    weigher: Weigher,
    nulls: list[str],
    choices: list[Choice],
    facility: Facility | None,
    name: str | None,
) -> Proposal:
    folder, family = device_folder(file, facility)
    mappings = best_mappings(weigher, [family] if family else sorted(FAMILIES))
    place = find_place(file, folder, mappings[0].family.name, facility)
    others = {} if facility is None else {n: one for n, one in facility.layouts.items() if n != name}
    place = replace(place, layout=name or _free(place.layout, others))
    draft = compose(sheet, weigher.marks, nulls, choices, weigher, mappings, place, family is not None)
    body = "\n".join(draft.lines) + "\n"
    start = first_lines(data) if not sheet.workbook else data
    trial = try_out(body, sheet.name, start)
    known = layouts_that_fit(Export(sheet.name, start), others)
    return Proposal(
        "layout",
        file.name,
        f"config/layouts/{place.layout}.toml",
        _heading(file, draft.choices, trial, known) + body,
        draft.choices,
        trial,
    )


def _known_people(facility: Facility) -> frozenset[str]:
    people = facility.athletes
    names = [*people["athlete_id"].drop_nulls(), *people["name"].drop_nulls()]
    return frozenset(name.casefold() for name in [*names, *people["aliases"].explode().drop_nulls()])


def _free(name: str, taken: Mapping[str, object]) -> str:
    """A layout's name that no other has: saving the proposal must not overwrite one that is in force."""
    tried, number = name, 1
    while tried in taken:
        number += 1
        tried = f"{name}-{number}"
    return tried


def _heading(file: Path, choices: list[Choice], trial: Trial, known: list[str]) -> str:
    """The first lines: what this is, which layouts fit it already, what is open, what came of trying it."""
    doubts = sum(choice.standing == "doubtful" for choice in choices)
    opens = sum(choice.standing == "open" for choice in choices)
    lines = [
        f"# Proposed by `yardmark propose` from {one_line(file.name)}.",
        "# Look it through and confirm it: nothing is in force until it is saved.",
        f"# Marked DOUBTFUL: {doubts}. Marked OPEN, for you to decide: {opens}.",
    ]
    if known:
        lines.append(
            f"# Its header row fits already: {', '.join(known)}. A file that two layouts claim is held: use "
            "that one, or narrow [match] of both."
        )
    if trial.lacks:
        lines.append("# It can't be used before this is decided:")
        lines += [f"#   {one_line(said)}" for said in trial.lacks]
    else:
        lines.append(f"# Tried on this file: {trial.read} of {trial.lines} lines with values are read.")
        lines += [f"#   held: {one_line(said)}" for said in trial.held]
    return "\n".join(lines) + "\n"

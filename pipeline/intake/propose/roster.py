"""A list of people as a roster: the mapping, `athletes.csv`, and what was left open."""

from __future__ import annotations

import csv
import io
import re
from collections.abc import Collection
from datetime import date

from pipeline.facility.dates import read_dates
from pipeline.intake.identity import normalise
from pipeline.intake.propose.choices import Choice
from pipeline.intake.propose.columns import Column
from pipeline.intake.propose.draft import one_line
from pipeline.intake.propose.people import PERIOD_ROLES, List, full_names, sexes
from pipeline.reading.letters import plain_letters

_HEAD = ["athlete_id", "name", "birth_date", "sex", "aliases"]


def propose_roster(found: List, file: str, known: Collection[tuple[str, str]]) -> tuple[str, list[Choice]]:
    """The text of `athletes.csv` with the proposal's remarks as comments, and the choices.

    `known` are (athlete_id, name) of the facility's roster: who is on it already is not proposed again.
    """
    choices = [
        Choice(role, column.name.written, f"the name and the cells say so ({', '.join(column.words[:2])})")
        for role, column in found.roles.items()
    ]
    choices += [Choice("left out", c.name.written, "nothing in a roster is this") for c in found.left]
    names = full_names(found)
    lines = next(iter(found.roles.values())).lines.to_list()
    born, born_open, said = _birth_dates(found.roles.get("birth_date"))
    choices += said
    sex, sex_open, said = _sexes(found.roles.get("sex"))
    choices += said
    taken = {athlete_id for athlete_id, _ in known}
    there = {normalise(name): athlete_id for athlete_id, name in known}
    rows: list[dict[str, str]] = []
    periods: list[dict[str, str]] = []
    seen: dict[str, tuple[int, date | None, str]] = {}
    own_ids = found.roles.get("athlete_id")
    for at, name in enumerate(names):
        if name is None:
            if any(column.texts[at] for column in found.roles.values()):
                choices.append(
                    Choice("name", "", f"line {lines[at]} has no name and is left out", "doubtful")
                )
            continue
        key, line = normalise(name), lines[at]
        if key in there:
            said_so = f"line {line}: {name!r} is on the roster already, as {there[key]}; not proposed again"
            choices.append(Choice("name", "", said_so))
            continue
        before = seen.get(key)
        if before is not None and before[1] is not None and before[1] == born.get(at):
            said_so = f"{name!r} stands on lines {before[0]} and {line} with one birth date: written once"
            choices.append(Choice("name", "", said_so, "doubtful"))
            periods += _period(found, at, before[2])
            continue
        if before is not None:
            said_so = (
                f"{name!r} stands on lines {before[0]} and {line}: one person twice, or two of one name?"
            )
            choices.append(Choice("name", "", said_so, "open"))
        own = own_ids.texts[at] if own_ids is not None else None
        athlete_id = own if own and own not in taken else short_id(name, taken)
        taken.add(athlete_id)
        seen[key] = (line, born.get(at), athlete_id)
        nick = found.roles["aliases"].texts[at] if "aliases" in found.roles else None
        rows.append(
            {
                "athlete_id": athlete_id,
                "name": name,
                "birth_date": born[at].isoformat() if at in born else "",
                "sex": sex.get(at, ""),
                "aliases": re.sub(r"\s*[,;/]\s*", "|", nick or ""),
                "birth_date_as_written": born_open.get(at, ""),
                "sex_as_written": sex_open.get(at, ""),
            }
        )
        periods += _period(found, at, athlete_id)
    columns = [*_HEAD, *(c for c in ("birth_date_as_written", "sex_as_written") if any(r[c] for r in rows))]
    return _text(file, found, choices, _csv(rows, columns), periods), choices


def short_id(name: str, taken: Collection[str]) -> str:
    """A short id that nobody has: the first letter of the first name and up to six of the last."""
    words = re.findall(r"[a-z]+", plain_letters(name).replace("'", ""))
    stem = (words[0][0] + words[-1][:6]) if len(words) > 1 else (words[0][:7] if words else "p")
    if stem not in taken and words:
        return stem
    number = 2 if words else 1
    while f"{stem}{number}" in taken:
        number += 1
    return f"{stem}{number}"


def _birth_dates(column: Column | None) -> tuple[dict[int, date], dict[int, str], list[Choice]]:
    """Birth dates by row, the texts of those that are left open, and what is to be said."""
    if column is None:
        return {}, {}, [Choice("birth_date", "", "no column is a birth date; ages stay unknown", "open")]
    cells = {at: text for at, text in enumerate(column.texts) if text}
    dates, faults = read_dates(cells)
    left = {at: text for at, text in cells.items() if at not in dates}
    choices = []
    for at, fault in sorted(faults.items())[:5]:
        choices.append(Choice("birth_date", "", f"line {column.lines[at]}: {fault}", "open"))
    if len(left) > len(faults):
        said = f"{len(left)} birth dates are left empty; they stand in birth_date_as_written"
        choices.append(Choice("birth_date", "", said, "open"))
    return dates, left, choices


def _sexes(column: Column | None) -> tuple[dict[int, str], dict[int, str], list[Choice]]:
    """Sex by row, the texts of those that are left open, and what is to be said."""
    if column is None:
        return {}, {}, [Choice("sex", "", "no column is the sex; norms need it", "open")]
    told = sexes(column.words) or {}
    known = {at: sex for at, text in enumerate(column.texts) if text and (sex := told.get(text))}
    left = {at: text for at, text in enumerate(column.texts) if text and at not in known}
    choices = [
        Choice("sex", sex, f"{word!r} is {sex}", "doubtful" if len(word) == 1 else "sure")
        for word, sex in told.items()
        if sex
    ]
    for word in dict.fromkeys(left.values()):
        choices.append(Choice("sex", "", f"what does {word!r} mean? Left empty; see sex_as_written", "open"))
    return known, left, choices


def _period(found: List, at: int, athlete_id: str) -> list[dict[str, str]]:
    said = {role: found.roles[role].texts[at] or "" for role in PERIOD_ROLES if role in found.roles}
    return [{"athlete_id": athlete_id, "from": "", "until": "", **said}] if any(said.values()) else []


def _csv(rows: list[dict[str, str]], columns: list[str]) -> str:
    text = io.StringIO()
    writer = csv.DictWriter(text, columns, extrasaction="ignore", lineterminator="\n")
    writer.writeheader()
    writer.writerows(rows)
    return text.getvalue()


def _text(file: str, found: List, choices: list[Choice], people: str, periods: list[dict[str, str]]) -> str:
    """The CSV between its remarks; lines that begin with # are passed over when it is read as config."""
    mapping = [f"#   {role}: {one_line(column.name.written)}" for role, column in found.roles.items()]
    head = [
        f"# A roster proposed from {one_line(file)}: look it through, save it as config/athletes.csv, or add"
    ]
    head += ["# its lines to the roster that is there. Taken from the columns:", *mapping]
    if found.left:
        head.append(f"# Left out: {one_line(', '.join(column.name.written for column in found.left))}")
    marks = {"doubtful": "DOUBTFUL", "open": "OPEN"}
    head += [f"# {marks[c.standing]}: {one_line(c.reason)}" for c in choices if c.standing in marks]
    head += [
        f"# {one_line(c.reason)}"
        for c in choices
        if c.standing == "sure" and "not proposed again" in c.reason
    ]
    text = "\n".join(head) + "\n" + people
    if not periods:
        return text
    columns = ["athlete_id", "from", "until", *(role for role in PERIOD_ROLES if role in found.roles)]
    below = "".join(f"# {line}\n" for line in _csv(periods, columns).splitlines())
    said = (
        "# For config/athlete_periods.csv, without the marks; an empty `from` means that it always was so:\n"
    )
    return text + said + below

"""Sample exports in disguise: names and words in another language, columns in another order; a fair count.

What is right is said by the demo's own layouts, never by the code under test.
"""

from __future__ import annotations

import csv
import io
import random
import re
import tomllib
from collections.abc import Mapping
from dataclasses import dataclass, field
from functools import cache
from pathlib import Path
from typing import Any

import polars as pl
import xlsxwriter

from pipeline.intake.propose.names import take_apart
from pipeline.intake.propose.propose import Proposal, propose
from pipeline.intake.propose.words import plain
from pipeline.reading.times import parse_local
from pipeline.reading.workbook import read_sheet

ROOT = Path(__file__).resolve().parents[3]
LAYOUTS = ROOT / "config" / "demo" / "layouts"
PACKAGE = ROOT / "pipeline" / "intake" / "propose"
EXPORTS = ROOT / "sample_exports"
TABLE: dict[str, dict[str, dict[str, Any]]] = tomllib.loads(
    Path(__file__).with_name("translations.toml").read_text(encoding="utf-8")
)


@dataclass(frozen=True)
class Sample:
    """A sample export: its layout as written, the lines above its header, its header and its rows."""

    layout: dict[str, Any]
    file: Path
    above: list[str]
    header: list[str]
    rows: list[list[str]]

    @property
    def name(self) -> str:
        return str(self.layout["layout"])


def sample(name: str, at: int = 0) -> Sample:
    """An export of a demo layout: the first of its folder by default."""
    layout = tomllib.loads((LAYOUTS / f"{name}.toml").read_text(encoding="utf-8"))
    file = sorted((EXPORTS / layout["match"]["folder"]).iterdir())[at]
    if file.suffix == ".xlsx":
        rows = read_sheet(file.read_bytes())
        return Sample(layout, file, [], rows[0], rows[1:])
    form = layout.get("file", {})
    text = file.read_bytes().decode(form.get("encoding", "utf-8").replace("utf-8", "utf-8-sig"))
    lines = text.splitlines()
    rows = list(csv.reader(lines, delimiter=form.get("delimiter", ",")))
    header_at = next(i for i, row in enumerate(rows) if set(layout["match"]["header"]) <= set(row))
    return Sample(layout, file, lines[:header_at], rows[header_at], rows[header_at + 1 :])


@dataclass(frozen=True)
class Disguised:
    """A disguised export: where it lies, and what each of its new names was (columns and lines above)."""

    sample: Sample
    file: Path
    names: dict[str, str]
    words: dict[str, str]
    rows: list[list[str]]


def disguise(
    of: Sample, names: Mapping[str, str], words: Mapping[str, str], seed: int, folder: Path
) -> Disguised:
    """The export with other names and words, its columns in another order, saved as its device does."""
    order = list(range(len(of.header)))
    random.Random(seed).shuffle(order)
    said = [_translated(of, at, words) for at in range(len(of.header))]
    header = [names.get(of.header[at], of.header[at]) for at in order]
    rows = []
    for row in of.rows:
        full = row + [""] * (len(of.header) - len(row))
        whole = len(row) >= len(of.header) - 3 and len(row) > 2
        rows.append([said[at].get(full[at], full[at]) for at in order] if whole else row)
    above = [_line_above(line, names, words) for line in of.above]
    file = folder / of.file.name
    _save(of, file, above, header, rows)
    back = {new: old for old, new in names.items()}
    back |= {name: name for name in of.header if name not in names}
    return Disguised(of, file, back, dict(words), rows)


def _translated(of: Sample, at: int, words: Mapping[str, str]) -> dict[str, str]:
    """The words of a column that are said in the other language: none in columns of numbers without a map."""
    cells = {row[at] for row in of.rows if at < len(row) and row[at]}
    mapped = any(
        "map" in c and of.header[at] in _listed(c.get("from")) for c in of.layout["columns"].values()
    )
    numbers = all(re.fullmatch(r"[\d.,]+", cell) for cell in cells)
    return dict(words) if mapped or not numbers else {}


def _line_above(line: str, names: Mapping[str, str], words: Mapping[str, str]) -> str:
    key, mark, value = line.partition(": ")
    return f"{names[key]}{mark}{words.get(value, value)}" if mark and key in names else line


def _save(of: Sample, file: Path, above: list[str], header: list[str], rows: list[list[str]]) -> None:
    if file.suffix == ".xlsx":
        with xlsxwriter.Workbook(file) as book:
            sheet = book.add_worksheet()
            for at, row in enumerate([header, *rows]):
                for column, cell in enumerate(row):
                    if re.fullmatch(r"-?\d+(\.\d+)?", cell):
                        sheet.write_number(at, column, float(cell))
                    else:
                        sheet.write_string(at, column, cell)
        return
    form = of.layout.get("file", {})
    text = io.StringIO()
    text.writelines(f"{line}\r\n" for line in above)
    csv.writer(text, delimiter=form.get("delimiter", ",")).writerows([header, *rows])
    encoding = form.get("encoding", "utf-8")
    # Words of another language may need letters that the old encoding lacks.
    try:
        raw = text.getvalue().encode(encoding)
    except UnicodeEncodeError:
        raw = text.getvalue().encode("utf-8")
    file.write_bytes(raw)


def in_language(name: str, language: str, folder: Path, seed: int = 1) -> Disguised:
    """The export of a layout in another language, its columns shuffled."""
    said = dict(TABLE[name][language])
    words = said.pop("words", {})
    return disguise(sample(name), said, words, seed, folder)


def nameless(name: str, folder: Path, seed: int = 2) -> Disguised:
    """The export of a layout with columns called col1, col2, ..., shuffled; lines above keep their names."""
    of = sample(name)
    return disguise(of, {old: f"col{i}" for i, old in enumerate(of.header, 1)}, {}, seed, folder)


def _listed(value: Any) -> list[str]:
    return [] if value is None else [value] if isinstance(value, str) else list(value)


Role = tuple[str, str, tuple[tuple[str, str], ...]]


def roles(layout: Mapping[str, Any]) -> dict[str, Role]:
    """What each column, and each line above the header, is: (target, unit, constants of its row)."""
    found: dict[str, Role] = dict.fromkeys(layout.get("ignore", []), ("ignore", "", ()))
    for target, source in layout["columns"].items():
        unit = source.get("unit", "")
        for name in [*_listed(source.get("from")), *_listed(source.get("preamble"))]:
            found[name] = (target, (source.get("unit_from") and "by row") or unit, ())
        for entry in source.get("unpivot", []):
            constants = {k: str(v) for k, v in entry.items() if k not in ("from", "unit")}
            found[entry["from"]] = (target, entry.get("unit", unit), tuple(sorted(constants.items())))
        if "unit_from" in source:
            found[source["unit_from"]] = ("unit", "", ())
    return found


@dataclass
class Count:
    """Columns and words, and how many of them the proposal has right; `wrong` says which it has not.

    `listed` are the columns whose name stands word for word in the proposal's own word list.
    """

    columns: int = 0
    right: int = 0
    words: int = 0
    words_right: int = 0
    listed: int = 0
    listed_right: int = 0
    wrong: list[str] = field(default_factory=list)

    def __add__(self, other: Count) -> Count:
        return Count(
            self.columns + other.columns,
            self.right + other.right,
            self.words + other.words,
            self.words_right + other.words_right,
            self.listed + other.listed,
            self.listed_right + other.listed_right,
            self.wrong + other.wrong,
        )

    @property
    def share(self) -> float:
        return self.right / self.columns


def count(export: Disguised) -> Count:
    """How much of a disguised export the proposal reads as the layout does."""
    proposal = propose(export.file, None)
    proposed = tomllib.loads(proposal.text)
    truth, mine = roles(export.sample.layout), roles(proposed)
    found = Count()
    for new, old in export.names.items():
        if old not in truth:
            continue
        found.columns += 1
        wanted, got = truth[old], mine.get(new, ("nothing", "", ()))
        fits = got == wanted and proposed.get("family") == export.sample.layout["family"]
        if fits and wanted[0] == "performed_at":
            fits = same_format(export, proposed, proposal)
        found.right += fits
        listed = plain(take_apart(new).bare) in _listed_names()
        found.listed += listed
        found.listed_right += listed and fits
        if not fits:
            found.wrong.append(f"{export.sample.name}: {new!r} ({old!r}) is {wanted}, proposed {got}")
    return found + _count_words(export, proposed)


@cache
def _listed_names() -> frozenset[str]:
    book = tomllib.loads((PACKAGE / "columns.toml").read_text(encoding="utf-8"))
    return frozenset(
        plain(phrase)
        for said in book.values()
        for key, phrases in said.items()
        if key != "typical"
        for phrase in phrases
    )


def same_format(export: Disguised, proposed: Mapping[str, Any], proposal: Proposal) -> bool:
    """Whether the time format reads as the layout's does; asking is right where both orders read all."""
    wanted = export.sample.layout["columns"]["performed_at"]
    texts = _moments(export.sample, wanted)
    truth = parse_local(texts, wanted["format"])["local"]
    got = proposed["columns"]["performed_at"].get("format")
    if got is not None:
        return bool((parse_local(texts, got)["local"] == truth).all())
    asked = next(c for c in proposal.choices if c.key == "columns.performed_at.format")
    days = [re.findall(r"\d+", text)[:2] for text in texts.drop_nulls()]
    return asked.standing == "open" and all(int(one) <= 12 and int(other) <= 12 for one, other in days)


def _moments(of: Sample, source: Mapping[str, Any]) -> pl.Series:
    if "preamble" in source:
        said = dict(line.split(": ", 1) for line in of.above if ": " in line)
        return pl.Series([" ".join(said[key] for key in _listed(source["preamble"]))])
    places = [of.header.index(name) for name in _listed(source["from"])]
    full = [row for row in of.rows if len(row) >= len(of.header) - 3 and len(row) > 2]
    return pl.Series([" ".join(row[at] for at in places) for row in full])


def _count_words(export: Disguised, proposed: Mapping[str, Any]) -> Count:
    """Words of the layout's maps that occur in the file, and how many the proposal maps alike."""
    found = Count()
    seen = {cell for row in export.rows for cell in row}
    for target, source in export.sample.layout["columns"].items():
        for word, wanted in source.get("map", {}).items():
            said = export.words.get(str(word), str(word))
            if said not in seen:
                continue
            found.words += 1
            got = proposed["columns"].get(target, {}).get("map", {}).get(said)
            # A word that is the family's own already needs no map.
            found.words_right += got == wanted or (got is None and said == wanted)
            if got != wanted:
                found.wrong.append(f"{export.sample.name}: the {target} {said!r} is {wanted}, proposed {got}")
    return found

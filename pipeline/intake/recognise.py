"""Which layout reads a file: folder, name and header row, all that the layout gives."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from fnmatch import fnmatchcase
from pathlib import PurePosixPath

from pipeline.intake.layouts import SHEET_PREFIX, Layout
from pipeline.intake.read import Export, WholeFile, dialect_of
from pipeline.reading.lines import read_head
from pipeline.reading.split import UndecodableFile
from pipeline.reading.table import HeadLine
from pipeline.reading.workbook import UnreadableWorkbook, sheet_head

_SHEET_START = 8_192


@dataclass(frozen=True)
class Claimed:
    """The one layout that claims a file, the file's first lines, and which of them is the header row."""

    layout: Layout
    head: list[HeadLine]
    header_at: int


class Heads:
    """The first lines of one file, split as each layout would, each way once."""

    def __init__(self, export: Export) -> None:
        self._export = export
        self._known: dict[object, list[HeadLine]] = {}

    def of(self, layout: Layout) -> list[HeadLine]:
        """The first lines as the layout would split them; none where it can't read the file at all."""
        way = (layout.file.sheet, layout.file.decimal) if self._export.is_workbook else dialect_of(layout)
        if way not in self._known:
            self._known[way] = self._read(layout)
        return self._known[way]

    def _read(self, layout: Layout) -> list[HeadLine]:
        try:
            if self._export.is_workbook:
                return sheet_head(self._export.sheet(layout.file.sheet, layout.file.decimal))
            return read_head(self._export.data, dialect_of(layout))
        except (UndecodableFile, UnreadableWorkbook):
            return []


def header_row(head: list[HeadLine], names: tuple[str, ...]) -> int | None:
    """Index of the first line that has all these names among its trimmed fields."""
    wanted = set(names)
    for at, line in enumerate(head):
        if line.fields is not None and wanted <= {name.strip() for name in line.fields}:
            return at
    return None


def in_place(layout: Layout, path: str) -> bool:
    """Whether a path below the inbox is in the layout's folder and has a name that it takes."""
    at = PurePosixPath(path)
    folder = layout.match.folder
    if folder is not None:
        parts = PurePosixPath(folder).parts
        if at.parent.parts[: len(parts)] != parts:
            return False
    pattern = layout.match.filename
    return pattern is None or fnmatchcase(at.name.lower(), pattern.lower())


def recognise(
    path: str, export: Export, layouts: Mapping[str, Layout], faulty: Mapping[str, object]
) -> Claimed | WholeFile:
    """The one layout that claims the file, or why none does."""
    heads = Heads(export)
    claims: list[Claimed] = []
    placed: list[str] = []
    for name, layout in sorted(layouts.items()):
        if not in_place(layout, path):
            continue
        placed.append(name)
        claim = next(filter(None, (_claim(heads, way) for way in ways(layout, export))), None)
        if claim is not None:
            claims.append(claim)
    if len(claims) == 1:
        return claims[0]
    if claims:
        names = " and ".join(claim.layout.layout for claim in claims)
        return WholeFile("two_layouts", f"The layouts {names} all claim this file.")
    elsewhere = None if faulty else _elsewhere(placed, layouts, heads, export)
    return elsewhere or _nobody(placed, layouts, heads, faulty)


def layouts_that_fit(export: Export, layouts: Mapping[str, Layout]) -> list[str]:
    """Names of the layouts whose header row a file has, wherever it lies."""
    heads = Heads(export)
    return [name for name, layout in sorted(layouts.items()) if _fits(heads, layout, export)]


def _fits(heads: Heads, layout: Layout, export: Export) -> bool:
    return any(_claim(heads, way) for way in ways(layout, export))


def _claim(heads: Heads, layout: Layout) -> Claimed | None:
    head = heads.of(layout)
    at = header_row(head, layout.header_names)
    return None if at is None else Claimed(layout, head, at)


def ways(layout: Layout, export: Export) -> list[Layout]:
    """The ways a layout may read a file: one; but a sheet filled by hand is as a spreadsheet saved it, with
    other delimiters and decimal commas, and in Windows' encoding where it is no UTF-8."""
    if not layout.layout.startswith(SHEET_PREFIX) or export.is_workbook:
        return [layout]
    # The sheets' column names are plain letters: a file without them is none, however it is split.
    start = export.data[:_SHEET_START]
    if not all(name.encode() in start for name in layout.header_names):
        return []
    try:
        export.data.decode("utf-8")
        encoding = "utf-8"
    except UnicodeDecodeError:
        encoding = "cp1252"
    found = []
    for delimiter, decimal in ((",", "."), (";", ","), ("\t", ","), (";", "."), ("\t", ".")):
        file = layout.file.model_copy(
            update={"encoding": encoding, "delimiter": delimiter, "decimal": decimal}
        )
        found.append(layout.model_copy(update={"file": file}))
    if b"," in export.data:
        return found
    return [way for way in found if way.file.decimal == "."]


def _elsewhere(
    placed: list[str], layouts: Mapping[str, Layout], heads: Heads, export: Export
) -> WholeFile | None:
    """Where a layout for another place fits the header row: which, and the place."""
    for name, layout in sorted(layouts.items()):
        if name in placed or not _fits(heads, layout, export):
            continue
        folder, pattern = layout.match.folder, layout.match.filename
        place = f"the folder '{folder}'" if folder is not None else "any folder"
        named = f" and names like '{pattern}'" if pattern is not None else ""
        return WholeFile(
            "no_layout",
            f"The layout {name} fits its header row, but is for {place}{named}. Where the file is of that "
            "device, drop it there again: this copy is then settled.",
        )
    return None


def _nobody(
    placed: list[str], layouts: Mapping[str, Layout], heads: Heads, faulty: Mapping[str, object]
) -> WholeFile:
    if faulty:
        names = ", ".join(sorted(faulty))
        return WholeFile(
            "faulty_layout", f"No sound layout claims this file; layouts with mistakes: {names}."
        )
    if not placed:
        return WholeFile("no_layout", "No layout is for files in this folder with a name like this.")
    with_folder = [name for name in placed if layouts[name].match.folder is not None]
    if not with_folder:
        return WholeFile("no_layout", "No layout is for files in this folder, and none fits its header row.")
    nearest = max(with_folder, key=lambda name: _found(heads.of(layouts[name]), layouts[name]))
    layout = layouts[nearest]
    seen = {field.strip() for line in heads.of(layout) for field in line.fields or []}
    lacking = [name for name in layout.header_names if name not in seen]
    listed = ", ".join(f"'{name}'" for name in lacking[:5])
    return WholeFile("no_layout", f"The layout {nearest} fits the folder, but no header row has {listed}.")


def _found(head: list[HeadLine], layout: Layout) -> int:
    seen = {field.strip() for line in head for field in line.fields or []}
    return sum(name in seen for name in layout.header_names)

"""The sheets in `held/`: one a file with held lines, one for all unknown names; written and read back."""

from __future__ import annotations

import csv
import io
import re
from collections.abc import Collection, Iterable, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path, PurePosixPath

from pipeline.facility.sheet_text import read_records, spelling_of
from pipeline.formulas import plain, safe
from pipeline.reading.workbook import UnreadableWorkbook, is_workbook, read_sheet
from pipeline.rights import make_private_folder, private

HELD_HEADER = ("file_id", "line", "code", "field", "value", "reason", "remedy", "answer", "original")
NAMES_HEADER = (
    "name",
    "device",
    "rows",
    "first_date",
    "last_date",
    "guess_1",
    "guess_2",
    "guess_3",
    "answer",
)
NAMES_FILE = "questions.csv"
SUSPECTS_HEADER = (
    "code",
    "athlete",
    "device",
    "date",
    "time",
    "seen",
    "proposal",
    "answer",
    "lines",
    "field",
    "test",
    "multiplier",
)
SUSPECTS_FILE = "suspects.csv"
_HEADERS = {"held": HELD_HEADER, "names": NAMES_HEADER, "suspects": SUSPECTS_HEADER}
_KEYS = (
    ("file_id", "line", "code", "field"),
    ("code", "lines", "field", "test", "multiplier"),
    ("name", "device"),
)
_NAME_BYTES = 120
_DEVICE = re.compile(r"(con|prn|aux|nul|com\d|lpt\d)(\.|$)", re.IGNORECASE)
_OURS = re.compile(r"\.[0-9a-f]{8}\.csv$")


@dataclass(frozen=True)
class Filled:
    """A row of a sheet that somebody filled in: its columns by name, and where it stands."""

    sheet: str
    line: int
    cells: Mapping[str, str]

    @property
    def answer(self) -> str:
        """What was answered."""
        return self.cells["answer"].strip()


def sheet_name(path: str, file_id: str) -> str:
    """Name of the sheet of a dropped file."""
    name = "".join(c if c.isprintable() and c not in '<>:"/\\|?*' else "_" for c in PurePosixPath(path).name)
    # Systems bound the bytes of a name, and Windows keeps some names for its devices.
    short = name.encode()[:_NAME_BYTES].decode("utf-8", "ignore")
    return f"{'_' if _DEVICE.match(short) else ''}{short}.{file_id[:8]}.csv"


def as_text(data: bytes, name: str) -> bytes:
    """A sheet as CSV, also where it was saved as a workbook; one that can't be read is no sheet."""
    if not is_workbook(data, name):
        return data
    try:
        return _as_csv((), read_sheet(data))
    except UnreadableWorkbook:
        return b""


def kind_of(data: bytes) -> str | None:
    """`held`, `names` or `suspects` where a file is one of these sheets, known by its header row; else
    None."""
    head = data[:2000]
    # All have this column, in whatever encoding a spreadsheet saved them; few exports have it.
    if b"answer" not in head.replace(b"\x00", b"").lower():
        return None
    for kind, header in _HEADERS.items():
        _, first, _ = read_records(head.rsplit(b"\n", 1)[0] if b"\n" in head else head, kind, header)
        if first is not None and {spelling_of(cell) for cell in first.cells} >= set(header):
            return kind
    return None


def sheets_in(folder: Path) -> list[Path]:
    """The sheets in a folder, as written here or saved as workbooks."""
    files = [*folder.glob("*.csv"), *folder.glob("*.xlsx")]
    return sorted(path for path in files if kind_of(as_text(path.read_bytes(), path.name)) is not None)


def read_filled(data: bytes, name: str) -> tuple[str, list[Filled], list[str]]:
    """The kind of a sheet (`held`, `names` or `suspects`), its filled rows, and what can't be read, by sheet
    and line; ValueError where it is neither."""
    data = as_text(data, name)
    kind = kind_of(data)
    if kind is None:
        raise ValueError(
            f"{name} is no sheet of yardmark: its first row must have {', '.join(HELD_HEADER)}, "
            f"or {', '.join(NAMES_HEADER)}, or {', '.join(SUSPECTS_HEADER)}"
        )
    records, header, problems = read_records(data, name, _HEADERS[kind])
    names = [spelling_of(cell) for cell in header.cells] if header else []
    filled = []
    for record in records:
        cells = {column: plain(cell.strip()) for column, cell in zip(names, record.cells, strict=False)}
        if cells.get("answer", "").strip():
            filled.append(Filled(name, record.line, cells))
    return kind, filled, [str(problem) for problem in problems]


def write_sheets(
    folder: Path, sheets: Mapping[str, tuple[tuple[str, ...], list[tuple[str, ...]]]], stay: Collection[str]
) -> list[str]:
    """Write these sheets (name -> header, rows) to `folder`, where only they and those to `stay` are then;
    names of those that changed.

    What somebody has filled in already and not yet handed in is kept.
    """
    make_private_folder(folder)
    changed = [name for name, (header, rows) in sheets.items() if _write_sheet(folder / name, header, rows)]
    _remove_others(folder, {*sheets, *stay})
    return changed


def write_one(folder: Path, name: str, header: tuple[str, ...], rows: list[tuple[str, ...]]) -> None:
    """Write a sheet beside the others, as `write_sheets` does; one without rows is removed."""
    if rows:
        make_private_folder(folder)
        _write_sheet(folder / name, header, rows)
    else:
        (folder / name).unlink(missing_ok=True)


def _write_sheet(path: Path, header: tuple[str, ...], rows: list[tuple[str, ...]]) -> bool:
    """Write a sheet, keeping what is filled in already; whether it changed."""
    kept = _answers_in(path, header)
    at, key = header.index("answer"), _key_columns(header)
    filled = [
        tuple(kept.get(tuple(row[i] for i in key), cell) if i == at else cell for i, cell in enumerate(row))
        for row in rows
    ]
    data = _as_csv(header, filled)
    if path.exists() and path.read_bytes() == data:
        return False
    _write(path, data)
    return True


def _key_columns(header: Collection[str]) -> list[int]:
    keys = next(keys for keys in _KEYS if set(keys) <= set(header))
    return [list(header).index(name) for name in keys]


def _answers_in(path: Path, header: tuple[str, ...]) -> dict[tuple[str, ...], str]:
    if not path.exists():
        return {}
    try:
        _, filled, _ = read_filled(path.read_bytes(), path.name)
    except (OSError, ValueError):
        return {}
    names = [header[i] for i in _key_columns(header)]
    return {tuple(safe(row.cells.get(name, "")) for name in names): safe(row.answer) for row in filled}


def _as_csv(header: Sequence[str], rows: Iterable[Iterable[str]]) -> bytes:
    text = io.StringIO(newline="")
    writer = csv.writer(text, lineterminator="\r\n")
    writer.writerows([header, *rows] if header else rows)
    # A byte order mark, so that a spreadsheet reads accents right on a double click.
    return b"\xef\xbb\xbf" + text.getvalue().encode("utf-8", "replace")


def _write(path: Path, data: bytes) -> None:
    part = path.with_name(f".{path.name}.part")
    part.unlink(missing_ok=True)
    with open(part, "wb", opener=private) as stream:
        stream.write(data)
    part.replace(path)


def _remove_others(folder: Path, wanted: Collection[str]) -> None:
    """Remove sheets whose last row was released; what somebody else put there, a copy too, stays."""
    for path in folder.glob("*.csv"):
        ours = path.name == NAMES_FILE or _OURS.search(path.name)
        if ours and path.name not in wanted and kind_of(path.read_bytes()) is not None:
            path.unlink()

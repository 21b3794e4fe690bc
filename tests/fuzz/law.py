"""What must hold of files that were taken in, whatever they are like; said anew, not borrowed from intake."""

from __future__ import annotations

import codecs
import csv
import hashlib
from collections import Counter
from collections.abc import Iterator, Mapping

import polars as pl

from pipeline.facility.folder import Facility
from pipeline.warehouse.store import Warehouse
from schemas.codes import CODES
from schemas.families import FAMILIES

FATES = ("loaded", "held", "repeated", "superseding", "skipped")
_DIGITS = 16
_TRACES = {family.name: family.trace.table for family in FAMILIES.values() if family.trace is not None}
_LARGEST = 1.7e308
_FORMULA = ("=", "+", "-", "@", "\t", "\r")


def complaints(facility: Facility, warehouse: Warehouse, dropped: Mapping[str, bytes]) -> list[str]:
    """What does not hold of these files (path below the inbox -> bytes), all of which were taken in."""
    found = [*_left_behind(facility, dropped), *_not_archived(facility, dropped)]
    drops = warehouse.select("SELECT * FROM _drops")
    files = warehouse.select("SELECT * FROM files")
    fates = warehouse.select("SELECT * FROM line_fates ORDER BY drop_id, first_line")
    found += _counts(drops, files, fates, facility, dropped)
    found += _held(warehouse, drops, fates)
    found += _tables(warehouse, drops, fates)
    found += _values(warehouse)
    found += _sheets(facility)
    return found


def physical_lines(data: bytes, encoding: str) -> int | None:
    """Lines of a file as the fine print counts them; None for UTF-16 that does not decode."""
    if encoding == "utf-16":
        marked = data[:2] in (codecs.BOM_UTF16_LE, codecs.BOM_UTF16_BE)
        try:
            data = data.decode("utf-16" if marked else "utf-16-le").encode()
        except UnicodeDecodeError:
            return None
    elif data[:3] == codecs.BOM_UTF8:
        data = data[3:]
    parts = data.split(b"\n" if b"\n" in data else b"\r")
    return len(parts) - (parts[-1] == b"")


def _left_behind(facility: Facility, dropped: Mapping[str, bytes]) -> Iterator[str]:
    for path in dropped:
        if (facility.inbox / path).exists():
            yield f"{path}: it is in the inbox still"


def _not_archived(facility: Facility, dropped: Mapping[str, bytes]) -> Iterator[str]:
    for path, data in dropped.items():
        kept = facility.archive / hashlib.sha256(data).hexdigest()
        if not kept.exists() or kept.read_bytes() != data:
            yield f"{path}: its bytes are not in the archive"


def _counts(
    drops: pl.DataFrame,
    files: pl.DataFrame,
    fates: pl.DataFrame,
    facility: Facility,
    dropped: Mapping[str, bytes],
) -> Iterator[str]:
    """Each file has its row, whose counts are those of its lines, each of which has one fate."""
    seen = Counter(drops["path"].to_list())
    for path in dropped:
        if seen[path] != 1:
            yield f"{path}: {seen[path]} drop(s) are stored"
    by_id = {row["drop_id"]: row for row in files.iter_rows(named=True)}
    runs: dict[str, list[tuple[int, int, str]]] = {}
    for row in fates.iter_rows(named=True):
        runs.setdefault(row["drop_id"], []).append((row["first_line"], row["last_line"], row["fate"]))
    for drop in drops.iter_rows(named=True):
        path, told = drop["path"], by_id.get(drop["drop_id"])
        if told is None:
            yield f"{path}: it has no row in files"
            continue
        if told["lines"] is not None and told["lines"] != sum(told[fate] for fate in FATES):
            yield f"{path}: {told['lines']} lines, and the fates of {[told[fate] for fate in FATES]}"
        counted, next_line = Counter[str](), drop["first_line"]
        for first, last, fate in runs.get(drop["drop_id"], []):
            if first != next_line or last < first:
                yield f"{path}, line {next_line}: the next fate is of lines {first} to {last}"
            counted[fate] += last - first + 1
            next_line = last + 1
        if [counted[fate] for fate in FATES] != [told[fate] for fate in FATES]:
            yield f"{path}: {dict(counted)} in line_fates, and {[told[fate] for fate in FATES]} in files"
        if path in dropped:
            yield from _physical(drop, told, facility, dropped[path])


def _physical(
    drop: Mapping[str, object], told: Mapping[str, object], facility: Facility, data: bytes
) -> Iterator[str]:
    """What is counted is what the bytes have, below the header row that is one."""
    path = str(drop["path"])
    if path.endswith(".xlsx"):
        return
    layout = facility.layouts.get(str(drop["layout"]))
    marked = data[:2] in (codecs.BOM_UTF16_LE, codecs.BOM_UTF16_BE)
    encoding = layout.file.encoding if layout else "utf-16" if marked else "utf-8"
    due = physical_lines(data, encoding)
    first = drop["first_line"]
    above = first - 1 if isinstance(first, int) else 0
    if told["lines"] != (None if due is None else due - above):
        yield f"{path}: {due} lines, {above} of them above the rows, and {told['lines']} are counted"
    if layout is not None and layout.layout[:6] != "sheet-":
        text = data.decode("utf-16" if marked and encoding == "utf-16" else encoding, "replace")
        text = text.replace("\r\n", "\n") if "\n" in text else text.replace("\r", "\n")
        lines = text.replace('""', '"').split("\n")
        # A header row in quotes may span lines.
        header = "\n".join(lines[max(0, above - (9 if layout.file.multiline else 1)) : above])
        if not all(name in header for name in layout.header_names):
            yield f"{path}, line {above}: {header!r} is no header row"


def _held(warehouse: Warehouse, drops: pl.DataFrame, fates: pl.DataFrame) -> Iterator[str]:
    """Every held line has its reasons, each a declared code with its words, and no other line has one."""
    held = warehouse.select("SELECT * FROM held_rows WHERE state <> 'released'")
    for row in held.iter_rows(named=True):
        code = CODES.get(row["code"])
        where = f"{row['file_id']}, line {row['line']}"
        if code is None:
            yield f"{where}: the code {row['code']} is not declared"
        elif not code.effect.startswith("holds"):
            yield f"{where}: the code {row['code']} holds nothing, by what is declared"
        elif row["remedy"] != code.remedy or not code.remedy:
            yield f"{where}: the remedy is {row['remedy']!r}"
        elif not row["reason"] or not row["reason"].strip():
            yield f"{where}: there is no reason"
    principal = drops.filter(pl.col("state") != "repeated")
    due: dict[str, set[int]] = {}
    ids = dict(principal.select("drop_id", pl.col("file_id").str.slice(0, _DIGITS)).iter_rows())
    for drop_id, first, last in (
        fates.filter(pl.col("fate") == "held").select("drop_id", "first_line", "last_line").iter_rows()
    ):
        if drop_id in ids:
            due.setdefault(ids[drop_id], set()).update(range(first, last + 1))
    said: dict[str, set[int | None]] = {}
    for file, line in held.select("file_id", "line").iter_rows():
        said.setdefault(file, set()).add(line)
    states = {file[:_DIGITS]: state for file, state in principal.select("file_id", "state").iter_rows()}
    for file, state in states.items():
        lines = said.get(file, set())
        if state == "read" and lines != due.get(file, set()):
            odd = sorted(lines ^ due.get(file, set()), key=str)[:5]
            yield f"{file}: lines {odd} are held, or have a reason, and not both"
        if state in ("held", "rejected") and lines != {None}:
            yield f"{file}: it is {state}, and has reasons on lines {lines}"
    for file in said.keys() - states.keys():
        yield f"{file}: it has reasons to wait, and was not dropped"


def _tables(warehouse: Warehouse, drops: pl.DataFrame, fates: pl.DataFrame) -> Iterator[str]:
    """Lines that are loaded or superseding have rows, and no other line has one."""
    read = drops.filter(pl.col("state") == "read")
    ids = dict(read.select("drop_id", pl.col("file_id").str.slice(0, _DIGITS)).iter_rows())
    due = {
        (ids[drop_id], line)
        for drop_id, first, last, fate in fates.select(
            "drop_id", "first_line", "last_line", "fate"
        ).iter_rows()
        if drop_id in ids and fate in ("loaded", "superseding")
        for line in range(first, last + 1)
    }
    traced = set(read.filter(pl.col("family").is_in(list(_TRACES)))["file_id"].str.slice(0, _DIGITS))
    trials = [f"SELECT file_id, line FROM {family.table}" for family in FAMILIES.values()]
    # Of an export whose lines are samples, the lines are in its set of samples.
    samples = [f"SELECT file_id, line FROM {table}" for table in _TRACES.values()]
    rows = warehouse.select(" UNION ".join([*trials, "SELECT file_id, line FROM superseded_rows"]))
    stored = {at for at in rows.iter_rows() if at[0] not in traced}
    stored |= set(warehouse.select(" UNION ".join(samples)).iter_rows())
    for file, line in sorted(due - stored)[:5]:
        yield f"{file}, line {line}: it counts as loaded, and has no row"
    for file, line in sorted(stored - due)[:5]:
        yield f"{file}, line {line}: it has a row, and does not count as loaded"


def _values(warehouse: Warehouse) -> Iterator[str]:
    """No number in the trial tables is infinite, no number at all, or outside its hard limits."""
    for family in FAMILIES.values():
        of_trial = set(warehouse.select(f"SELECT * FROM {family.table} LIMIT 0").columns)
        for field in family.columns:
            tables = [family.table] if field.name in of_trial else []
            if family.trace is not None and field.name in family.trace.columns:
                tables = [family.trace.table]
            if field.type not in ("real", "integer"):
                continue
            lows = [field.low, *(low for _, low, _ in field.limits_by)]
            highs = [field.high, *(high for _, _, high in field.limits_by)]
            low = min(-_LARGEST if each is None else each for each in lows)
            high = max(_LARGEST if each is None else each for each in highs)
            for table in tables:
                bad = warehouse.select(
                    f"SELECT file_id, line, {field.name} FROM {table} "
                    f"WHERE NOT ({field.name} BETWEEN {low} AND {high}) LIMIT 3"
                )
                for file, line, value in bad.iter_rows():
                    yield f"{file}, line {line}: {field.name} is {value}, outside {low:g} to {high:g}"


def _sheets(facility: Facility) -> Iterator[str]:
    """The sheets in `held/` read back as tables, and no cell of theirs is a formula."""
    for sheet in sorted(facility.held.glob("*.csv")):
        with sheet.open(encoding="utf-8-sig", newline="") as stream:
            rows = list(csv.reader(stream))
        for row in rows:
            if len(row) != len(rows[0]):
                yield f"{sheet.name}: {row} is no row of it"
            for cell in row:
                if cell.startswith(_FORMULA):
                    yield f"{sheet.name}: the cell {cell[:40]!r} is a formula"

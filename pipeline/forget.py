"""Forgetting an athlete: their lines are taken out of the archive and the config, and all is made anew.

A file that is about nobody else goes from the archive and its index. In any other the athlete's lines are
emptied, and stay as blank lines, so that all others keep their numbers: the law of rows holds, and a rebuild
gives what it would have given. Of the names stay salted hashes, by which they are known when they come back.
The content has another hash then, and so another name, which takes the place of the old one wherever config
and answers name it; `archive/forgotten.csv` says which became which.

Every step can be repeated, and the roster is changed last: the same command finishes what was cut off. What
it had found is kept until then in `forgetting.json`, beside the lock. The warehouse is given up first, so
that nothing of them is left in it whatever comes after.
"""

from __future__ import annotations

import contextlib
import csv
import hashlib
import io
import json
import shutil
import zipfile
from collections import defaultdict
from collections.abc import Callable, Collection, Mapping
from dataclasses import dataclass, field, replace
from datetime import datetime
from pathlib import Path

import polars as pl

from pipeline.emptied import emptied_lines, emptied_workbook, is_workbook, physical_lines
from pipeline.facility.folder import Facility
from pipeline.facility.people import NEW_PEOPLE_FILE, ROSTER_FILE
from pipeline.intake.appended import append_rows
from pipeline.intake.archive import HEADER, index_row, read_index, remove_unfinished
from pipeline.intake.forgotten import remember_forgotten
from pipeline.intake.identity import normalise
from pipeline.intake.intake import knowledge_of
from pipeline.intake.read import dialect_of
from pipeline.intake.renew import READ_TABLES
from pipeline.publish.files import put
from pipeline.reading.lines import lines_of_records
from pipeline.reading.table import Dialect
from pipeline.rights import private
from pipeline.warehouse.store import Warehouse
from schemas.tables import TRIAL_TABLES

TOMBSTONES = "forgotten.csv"
BEGUN = "forgetting.json"
_DIGITS = 16
BEYOND_REACH = (
    "backups and copies of this folder, and of what was published from it",
    "the devices: lines of an export dropped again are left out, and stay in the archive until you run "
    "`yardmark forget FACILITY --again`",
    "editions in published/coach, which have no names, and numbers of groups that the athlete was in",
    "published/external as others got it, though without the key nobody can say who a pseudonym is",
    "free text in config (remarks, layouts, the list of guests), and file names that you keep elsewhere",
)


@dataclass
class Plan:
    """What forgetting would do: whole files that go, lines of files that are emptied, rows of config.

    `workbooks`: archived workbooks whose rows of the athlete can't be found by name, and stay. `athlete_id`
    is None where it is about those forgotten before.
    """

    athlete_id: str | None
    names: set[str]
    whole: set[str] = field(default_factory=set)
    lines: dict[str, set[int]] = field(default_factory=dict)
    workbooks: set[str] = field(default_factory=set)
    config: dict[str, int] = field(default_factory=dict)


def plan_to_forget(facility: Facility, warehouse: Warehouse, athlete_id: str) -> Plan:
    """Find all that the archive and the config have of an athlete who is on the roster. Changes nothing."""
    own = _own_rows(warehouse, athlete_id)
    read = _read_names(warehouse).join(own.with_columns(own=True), on=["file_id", "line"], how="left")
    return _plan(facility, warehouse, Plan(athlete_id, _names_of(facility, athlete_id, read)), read, own)


def plan_again(facility: Facility, warehouse: Warehouse) -> Plan:
    """Find what came back, in files dropped again, of those who were forgotten before. Changes nothing."""
    known = knowledge_of(facility).names
    read = _read_names(warehouse).with_columns(own=pl.lit(False))
    names = {name for name in read["name"].unique() if name and known.is_forgotten(name)}
    return _plan(facility, warehouse, Plan(None, names), read, read.select("file_id", "line").clear())


def _plan(
    facility: Facility, warehouse: Warehouse, plan: Plan, read: pl.DataFrame, own: pl.DataFrame
) -> Plan:
    """The plan with the files and lines in which its names stand, beside the `own` rows (file_id, line)."""
    names = plan.names
    theirs = pl.col("own").fill_null(False) | pl.col("name").is_in(sorted(names))
    marked = read.with_columns(theirs=theirs)
    dialects = _dialects(facility, warehouse)
    full = {drop.file_id[:_DIGITS]: drop.file_id for drop in read_index(facility.archive)}
    whole = marked.group_by("file_id").agg(pl.col("theirs").all()).filter("theirs")["file_id"]
    plan.whole = {full[short] for short in whole if short in full}
    lines: dict[str, set[int]] = defaultdict(set)
    for short, line in [*marked.filter("theirs").select("file_id", "line").iter_rows(), *own.iter_rows()]:
        if short in full and full[short] not in plan.whole:
            lines[full[short]].add(line)
    for file_id in sorted(set(full.values()) - plan.whole):
        data = (facility.archive / file_id).read_bytes()
        if is_workbook(data):
            held = lines.get(file_id, set())
            if held and _rows_of_workbook(data, names) < len(held):
                plan.workbooks.add(file_id)
            elif held:
                plan.lines[file_id] = held
            continue
        over = lines_of_records(data, dialects[file_id]) if file_id in dialects else {}
        if found := lines.get(file_id, set()) | _lines_naming(data, names, over):
            plan.lines[file_id] = _whole_records(found, over)
    _add_what_was_begun(facility, plan)
    for path in _config_files(facility):
        if gone := len(_without(path, plan)[1]):
            plan.config[path.name] = gone
    return plan


def forget(facility: Facility, warehouse: Warehouse, plan: Plan, at: datetime) -> None:
    """Do what the plan says; the warehouse is made anew when it is opened next."""
    begun = facility.state / BEGUN
    put(begun, _writer(_as_json(plan)), private=True)
    warehouse.give_up()
    remove_unfinished(facility.archive)
    renamed: dict[str, str] = {}
    for file_id, lines in sorted(plan.lines.items()):
        if not (facility.archive / file_id).exists():
            continue  # done by the one that was cut off
        data = _emptied((facility.archive / file_id).read_bytes(), lines, plan.names)
        renamed[file_id] = hashlib.sha256(data).hexdigest()
        put(facility.archive / renamed[file_id], _writer(data), private=True)
    rows = [(at.isoformat(), old, new, str(len(plan.lines[old]))) for old, new in renamed.items()]
    rows += [(at.isoformat(), old, "", "") for old in sorted(plan.whole)]
    remember_forgotten(facility.archive, plan.names, at)
    append_rows(facility.archive / TOMBSTONES, ("at", "file_id", "became", "lines_emptied"), rows)
    # Also those of one that was cut off before it came to the config.
    renamed = _all_renamed(facility.archive)
    _rewrite_index(facility.archive, renamed, plan.whole)
    for old in sorted({*renamed, *plan.whole} - set(renamed.values())):
        (facility.archive / old).unlink(missing_ok=True)
        for sheet in facility.held.glob(f"*.{old[:8]}.csv"):
            sheet.unlink()
    rosters = {Path(ROSTER_FILE).name, Path(NEW_PEOPLE_FILE).name}
    for path in sorted(_config_files(facility), key=lambda path: (path.name in rosters, path.name)):
        if path.name in rosters:
            begun.unlink(missing_ok=True)
        text, _ = _without(path, plan)
        for old, new in renamed.items():
            text = text.replace(old, new).replace(old[:_DIGITS], new[:_DIGITS])
        if text.encode("utf-8", "surrogateescape") != path.read_bytes():
            put(path, _writer(text.encode("utf-8", "surrogateescape"), like=path))


def _as_json(plan: Plan) -> bytes:
    lines = {file_id: sorted(lines) for file_id, lines in plan.lines.items()}
    found = {"names": sorted(plan.names), "whole": sorted(plan.whole), "lines": lines}
    return json.dumps({"athlete_id": plan.athlete_id, **found}).encode()


def _add_what_was_begun(facility: Facility, plan: Plan) -> None:
    """What a forgetting of the same athlete had found, that was cut off: its traces may be gone by now."""
    file = facility.state / BEGUN
    begun = json.loads(file.read_bytes()) if file.is_file() else {}
    if not begun or begun["athlete_id"] != plan.athlete_id:
        return
    plan.names |= set(begun["names"])
    plan.whole |= set(begun["whole"])
    for file_id, lines in begun["lines"].items():
        plan.lines[file_id] = plan.lines.get(file_id, set()) | set(lines)


def _all_renamed(archive: Path) -> dict[str, str]:
    """What became of each content that was ever changed here, in the end."""
    became: dict[str, str] = {}
    with (archive / TOMBSTONES).open(encoding="utf-8", newline="") as stream:
        for _, old, new, _ in (row for row in csv.reader(stream) if len(row) == 4 and len(row[2]) == 64):
            became = {first: new if last == old else last for first, last in became.items()} | {old: new}
    return became


def _emptied(data: bytes, lines: Collection[int], names: Collection[str]) -> bytes:
    if is_workbook(data):
        return emptied_workbook(data, lambda text: normalise(text) in names)[0]
    return emptied_lines(data, lines)


def _rows_of_workbook(data: bytes, names: Collection[str]) -> int:
    """How many rows of a workbook have one of the names; 0 where it can't be looked into."""
    try:
        return emptied_workbook(data, lambda text: normalise(text) in names)[1]
    except (zipfile.BadZipFile, UnicodeDecodeError):
        return 0


def _own_rows(warehouse: Warehouse, athlete_id: str) -> pl.DataFrame:
    """file_id (16 digits) and line of every row that is or ever was the athlete's."""
    parts = [
        warehouse.read(name).filter(pl.col("athlete_id") == athlete_id).select("file_id", "line")
        for name in TRIAL_TABLES
    ]
    earlier = warehouse.read("superseded_rows")
    of_them = [json.loads(row).get("athlete_id") == athlete_id for row in earlier["row"]]
    parts.append(earlier.filter(pl.Series(of_them, dtype=pl.Boolean)).select("file_id", "line"))
    return pl.concat(parts).unique()


def _read_names(warehouse: Warehouse) -> pl.DataFrame:
    """file_id (16 digits), line and normalised name of every line that was read."""
    drops = warehouse.read("_drops").select("drop_no", file_id=pl.col("file_id").str.slice(0, _DIGITS))
    parts = [warehouse.read(name).select("drop_no", "line", "written_name") for name in READ_TABLES]
    rows = pl.concat(parts).unique().join(drops, on="drop_no")
    written = rows["written_name"].drop_nulls().unique()
    named = pl.Series([normalise(name) for name in written], dtype=pl.String)
    name = pl.col("written_name").replace_strict(written, named, default=None, return_dtype=pl.String)
    return rows.select("file_id", "line", name=name).unique()


def _names_of(facility: Facility, athlete_id: str, read: pl.DataFrame) -> set[str]:
    """The normalised names that are this athlete's and nobody else's."""
    row = facility.athletes.filter(pl.col("athlete_id") == athlete_id).row(0, named=True)
    aliases = facility.aliases.filter(pl.col("athlete_id") == athlete_id)["alias"]
    known = {normalise(name) for name in (athlete_id, row["name"], *row["aliases"], *aliases)}
    written = read.group_by("name").agg(pl.col("own").fill_null(False).all()).filter("own")["name"]
    others = facility.athletes.filter(pl.col("athlete_id") != athlete_id)
    shared = {normalise(name) for name in (*others["athlete_id"], *others["name"])}
    shared |= {normalise(name) for names in others["aliases"] for name in names}
    shared |= {
        normalise(alias) for alias in facility.aliases.filter(pl.col("athlete_id") != athlete_id)["alias"]
    }
    return (known | set(written.drop_nulls())) - shared - {""}


def _dialects(facility: Facility, warehouse: Warehouse) -> dict[str, Dialect]:
    """file_id -> how its lines are written, of all files that a layout claims."""
    claimed = warehouse.read("_drops").select("file_id", "layout").drop_nulls()
    layouts = facility.layouts
    return {file: dialect_of(layouts[name]) for file, name in claimed.iter_rows() if name in layouts}


def _lines_naming(data: bytes, names: Collection[str], over: Mapping[int, int]) -> set[int]:
    """First lines of records with one of the names as a cell, also such as could not be read as rows.

    `over`: how many lines those records have that go over several.
    """
    wide = data.startswith((b"\xff\xfe", b"\xfe\xff"))
    pieces = physical_lines(data.decode("utf-16" if wide else "utf-8", "replace"))
    return {
        number
        for number in range(1, len(pieces) + 1)
        if _names_somebody("".join(pieces[number - 1 : number - 1 + over.get(number, 1)]), names)
    }


def _names_somebody(record: str, names: Collection[str]) -> bool:
    """Whether a cell of a record is one of the names, whatever the delimiter is."""
    for mark in (";", "\t", "|", ","):
        cells = [cell.strip('" ') for cell in record.strip().split(mark)]
        if '"' in record:
            with contextlib.suppress(csv.Error):
                cells += [c for row in csv.reader(io.StringIO(record.strip()), delimiter=mark) for c in row]
        if any(normalise(cell) in names for cell in cells):
            return True
    return False


def _whole_records(lines: Collection[int], over: Mapping[int, int]) -> set[int]:
    """The lines, and all others of the records that they are part of."""
    found = set(lines)
    for first, n_lines in over.items():
        record = set(range(first, first + n_lines))
        if record & found:
            found |= record
    return found


def _config_files(facility: Facility) -> list[Path]:
    return sorted(facility.config.glob("*.csv"))


def _without(path: Path, plan: Plan) -> tuple[str, list[int]]:
    """A config CSV without the lines that speak of the athlete, and which these are."""
    text = path.read_bytes().decode("utf-8", "surrogateescape")
    kept, gone = [], []
    for number, piece in enumerate(physical_lines(text), start=1):
        if number > 1 and _speaks_of(piece, plan):
            gone.append(number)
        else:
            kept.append(piece)
    return "".join(kept), gone


def _speaks_of(line: str, plan: Plan) -> bool:
    """Whether a cell is the athlete's id or name, or an answer is about one of the emptied lines."""
    mark = ";" if line.count(";") > line.count(",") else ","
    for cell in next(csv.reader([line], delimiter=mark), []):
        about = cell.strip().lstrip("'")
        if about == plan.athlete_id or normalise(about.split("|")[0]) in plan.names:
            return True
        file, _, rest = about.partition(":")
        number = rest.partition(":")[0]
        if any(old.startswith(file) for old in plan.whole) and len(file) == _DIGITS:
            return True
        for old, lines in plan.lines.items():
            if len(file) == _DIGITS and old.startswith(file) and number.isdigit() and int(number) in lines:
                return True
    return False


def _rewrite_index(archive: Path, renamed: dict[str, str], whole: Collection[str]) -> None:
    """The index with the new names and sizes, and without the files that are gone."""
    text = io.StringIO(newline="")
    writer = csv.writer(text, lineterminator="\n")
    writer.writerow(HEADER)
    for drop in read_index(archive):
        if drop.file_id in whole:
            continue
        file_id = renamed.get(drop.file_id, drop.file_id)
        size = (archive / file_id).stat().st_size if drop.file_id in renamed else drop.size
        writer.writerow(index_row(replace(drop, file_id=file_id, size=size)))
    index = archive / "index.csv"
    put(index, _writer(text.getvalue().encode("utf-8", "surrogateescape"), like=index))


def _writer(data: bytes, like: Path | None = None) -> Callable[[Path], None]:
    """A writer of these bytes, with the rights of the file that they take the place of."""

    def write(path: Path) -> None:
        with open(path, "wb", opener=private) as stream:
            stream.write(data)
        if like is not None:
            shutil.copymode(like, path)

    return write

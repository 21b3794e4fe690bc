"""Taking in: from the inbox to what is true now; and every later change of mind.

`take_in`, `say_who`, `answer` and `retry` differ in what they add to what is known; all of them end in
`update`, which reads what is not read yet, resolves everything, checks the law of rows and commits once.
"""

from __future__ import annotations

import json
from collections import defaultdict
from collections.abc import Callable, Iterable
from dataclasses import dataclass, field
from datetime import date
from pathlib import Path

import polars as pl

from pipeline.facility.folder import Facility, load_facility
from pipeline.ids import text_id
from pipeline.intake import archive
from pipeline.intake.answering import Answering, take_answers
from pipeline.intake.answers import Answer, append_answers, me, name_subject, read_answers
from pipeline.intake.archive import Drop
from pipeline.intake.drops import Opened, ReadDrop, as_batch, open_content, read_opened
from pipeline.intake.identity import Alias
from pipeline.intake.knowledge import Clock, DeviceFacts, Knowledge, build_knowledge
from pipeline.intake.law import check_read, check_resolved
from pipeline.intake.questions import sheets_of
from pipeline.intake.resolve import FILE_DIGITS, Resolved, resolve
from pipeline.intake.settle import Settled, Stamp, Waiting, settled_files, stamp_of
from pipeline.intake.sheets import Filled, as_text, kind_of, read_filled, write_sheets
from pipeline.intake.traces import with_questions
from pipeline.warehouse.store import Warehouse
from schemas.families import FAMILIES
from schemas.internal import read_table

Say = Callable[[str], None]
READ_TABLES = tuple(read_table(family).name for family in FAMILIES.values())


@dataclass
class IntakeReport:
    """What an intake did. `files`: rows of the table `files` that are new or changed, with their path."""

    new_drops: int = 0
    files: pl.DataFrame = field(default_factory=pl.DataFrame)
    open_codes: dict[str, int] = field(default_factory=dict)
    released: int = 0
    waiting: list[Waiting] = field(default_factory=list)
    sheets: list[str] = field(default_factory=list)
    answering: Answering | None = None


def knowledge_of(facility: Facility) -> Knowledge:
    """What the facility's people have said, from its config and its recorded answers."""
    settings = facility.settings
    athletes = [
        (row["athlete_id"], row["name"], list(row["aliases"]))
        for row in facility.athletes.select("athlete_id", "name", "aliases").iter_rows(named=True)
    ]
    aliases = [
        Alias(*row)
        for row in facility.aliases.select(
            "alias", "athlete_id", "device", "valid_from", "valid_until"
        ).iter_rows()
    ]
    devices = {
        name: DeviceFacts(d.family, d.since, tuple(Clock(c.from_, c.to, c.offset_seconds) for c in d.clock))
        for name, d in settings.devices.items()
    }
    return build_knowledge(
        athletes,
        aliases,
        list(settings.guests),
        read_answers(facility.config),
        facility.corrections,
        settings.timezone,
        f"{settings.day_start:%H:%M}",
        tuple(f"{slot:%H:%M}" for slot in settings.slots),
        devices,
    )


def take_in(
    facility: Facility, warehouse: Warehouse, say: Say, watched: Settled | None = None
) -> IntakeReport:
    """Take in every settled file of the inbox; answered sheets among them are taken as answers.

    `watched`: what is settled, where somebody has watched the inbox; else it is looked at twice now.
    """
    settings = facility.settings
    settled, waiting = watched or settled_files(
        facility.inbox, settings.settle_seconds, settings.settle_unfinished_seconds, say=say
    )
    sheets = [path for path in settled if kind_of(_start(path)) is not None]
    answering = None
    if sheets:
        answering = _take_sheets(facility, warehouse, sheets)
        facility = load_facility(facility.folder)
    taken = _into_archive(facility, {p: s for p, s in settled.items() if p not in sheets}, waiting)
    report = update(facility, warehouse, say)
    _clear(taken, waiting)
    report.waiting = waiting
    report.answering = _with_outcome(answering, warehouse) if answering else None
    return report


def _clear(taken: dict[Path, Stamp], waiting: list[Waiting]) -> None:
    """Remove files from the inbox, but for those that were written again meanwhile or can't be removed."""
    for path, stamp in taken.items():
        try:
            if stamp_of(path) == stamp:
                path.unlink()
        except FileNotFoundError:
            continue
        except OSError as error:
            why = f"it is taken in, and can't be removed now ({error.strerror or error})"
            waiting.append(Waiting(path, why))


def _start(path: Path) -> bytes:
    """As much of a file, as text, as tells whether it is one of our sheets."""
    try:
        if path.suffix.lower() == ".xlsx":
            return as_text(path.read_bytes(), path.name)
        with path.open("rb") as stream:
            return stream.read(2000) if path.suffix.lower() == ".csv" else b""
    except OSError:
        return b""


def _take_sheets(facility: Facility, warehouse: Warehouse, paths: list[Path]) -> Answering:
    """Answers from sheets dropped into the inbox; the sheets themselves go to the archive."""
    result = give_answers(facility, warehouse, paths)
    for path in paths:
        archive.store(facility.archive, path)
        path.unlink(missing_ok=True)
    return result


def _into_archive(
    facility: Facility, settled: dict[Path, Stamp], waiting: list[Waiting]
) -> dict[Path, Stamp]:
    """Copy files into the archive and name them in the index; those that may leave the inbox."""
    known = {drop.drop_id for drop in archive.read_index(facility.archive)}
    fresh: list[Drop] = []
    taken: dict[Path, Stamp] = {}
    for path, stamp in settled.items():
        try:
            file_id, size = archive.store(facility.archive, path)
            now = stamp_of(path)
        except OSError as error:
            waiting.append(Waiting(path, f"it can't be read now ({error.strerror or error})"))
            continue
        if not stamp == now == Stamp(size, now.mtime_ns):
            waiting.append(Waiting(path, "it is still being written"))
            continue
        place = path.relative_to(facility.inbox).as_posix()
        drop_id = archive.drop_id_of(place, size, stamp.mtime_ns, file_id)
        taken[path] = stamp
        if drop_id not in known:
            known.add(drop_id)
            fresh.append(Drop(0, drop_id, file_id, place, archive.utc_now(), size))
    archive.append_index(facility.archive, fresh)
    return taken


def update(facility: Facility, warehouse: Warehouse, say: Say, reread: Iterable[int] = ()) -> IntakeReport:
    """Bring the warehouse up to what the archive holds and people have said; commits once, or not at all.

    `reread`: numbers of drops to read again. Raises LawOfRows.
    """
    knowledge = knowledge_of(facility)
    index = archive.read_index(facility.archive)
    drops = warehouse.read("_drops")
    read_with = _read_with(facility, knowledge)
    due = _due(index, drops, json.loads(warehouse.meta("read_with") or "{}"), read_with, reread)
    report = IntakeReport(new_drops=len(index) - drops.height)
    if not due and warehouse.meta("knowledge") == knowledge.fingerprint:
        report.open_codes = open_codes(held_with_context(warehouse))
        return report
    read = _read_contents(facility, knowledge, index, due, say)
    before = warehouse.read("files")
    with warehouse.transaction():
        resolved = _store_and_resolve(warehouse, read, knowledge, facility.settings.timezone)
        warehouse.set_meta("knowledge", knowledge.fingerprint)
        warehouse.set_meta("read_with", json.dumps(read_with))
        made_of = [knowledge.fingerprint, json.dumps(read_with), *(drop.drop_id for drop in index)]
        warehouse.set_meta("resolved", text_id("\n".join(made_of)))
    reads = {name: warehouse.read(name) for name in READ_TABLES}
    drops = warehouse.read("_drops")
    report.sheets = write_sheets(facility.held, sheets_of(facility, knowledge, drops, reads, resolved))
    still_open = resolved.held.filter(pl.col("state") == "open")
    report.open_codes = open_codes(with_questions(still_open, drops, reads))
    files = resolved.tables["files"].join(
        before, on=resolved.tables["files"].columns, how="anti", nulls_equal=True
    )
    report.files = (
        files.drop("path").join(drops.select("drop_id", "drop_no", "path"), on="drop_id").sort("drop_no")
    )
    report.released = max(0, int(before["held"].sum()) - _held_of(resolved.tables["files"], before))
    return report


def _read_with(facility: Facility, knowledge: Knowledge) -> dict[str, str]:
    """All beside its bytes that the reading of a file depends on, each by a name of its own."""
    layouts = {f"layout {name}": layout.model_dump_json() for name, layout in facility.layouts.items()}
    cells = {f"cells {file}": repr(sorted(said.items())) for file, said in knowledge.cell_answers.items()}
    return {"timezone": facility.settings.timezone, **layouts, **cells}


def _due(
    index: list[Drop], drops: pl.DataFrame, before: dict[str, str], now: dict[str, str], reread: Iterable[int]
) -> set[str]:
    """Contents to read: those of new drops, those asked for, and those that would be read otherwise now.

    What a layout read stays where that layout has mistakes now, or is gone.
    """
    layouts = dict(drops.select("drop_no", "layout").iter_rows())
    changed = {key for key in {*before, *now} if before.get(key) != now.get(key)}
    gone = {key for key in before if key not in now and key.startswith("layout ")}
    wanted = set(reread)

    def reads_otherwise(drop: Drop) -> bool:
        ways = {"timezone", f"layout {layouts[drop.number]}", f"cells {drop.file_id[:FILE_DIGITS]}"}
        return not ways.isdisjoint(changed - gone)

    return {
        drop.file_id
        for drop in index
        if drop.number not in layouts or drop.number in wanted or reads_otherwise(drop)
    }


def _held_of(files: pl.DataFrame, before: pl.DataFrame) -> int:
    """Lines now held of the drops that were there before."""
    held = files.join(before.select("drop_id"), on="drop_id", how="semi")["held"].sum()
    return int(held)


def _read_contents(
    facility: Facility, knowledge: Knowledge, index: list[Drop], contents: set[str], say: Say
) -> list[ReadDrop]:
    """Read these contents, each with all its drops."""
    by_content: dict[str, list[Drop]] = defaultdict(list)
    for drop in index:
        if drop.file_id in contents:
            by_content[drop.file_id].append(drop)
    opened: list[Opened] = []
    for done, group in enumerate(by_content.values(), start=1):
        opened += open_content(group, facility, knowledge)
        if done % 100 == 0:
            say(f"{done} of {len(by_content)} files opened")
    return read_opened(opened, facility.tests)


def _store_and_resolve(
    warehouse: Warehouse, read: list[ReadDrop], knowledge: Knowledge, timezone: str
) -> Resolved:
    batch = as_batch(read, timezone)
    for name, frame in batch.tables.items():
        warehouse.delete_drops(name, batch.drop_nos)
        warehouse.append(name, frame)
    check_read(warehouse, batch)
    resolved = resolve(
        warehouse.read("_drops"),
        {name: warehouse.read(name) for name in READ_TABLES},
        warehouse.read("_problems"),
        warehouse.read("_skipped"),
        knowledge,
    )
    for name, frame in resolved.tables.items():
        warehouse.replace(name, frame)
    check_resolved(warehouse, resolved)
    return resolved


def open_codes(held: pl.DataFrame) -> dict[str, int]:
    """Code -> number of questions among held rows that have `question`, most first."""
    counts = held.group_by("code").agg(n=pl.col("question").n_unique())
    return dict(counts.sort("n", "code", descending=[True, False]).iter_rows())


def say_who(
    facility: Facility,
    warehouse: Warehouse,
    say: Say,
    name: str,
    athlete_id: str,
    device: str | None = None,
    start: date | None = None,
    until: date | None = None,
) -> IntakeReport:
    """Record that a written name is that athlete, and release the rows that wait for it."""
    subject = name_subject(name, device, start, until)
    append_answers(facility.config, [Answer(archive.utc_now(), me(), "name", subject, athlete_id)])
    return update(facility, warehouse, say)


def give_answers(facility: Facility, warehouse: Warehouse, paths: Iterable[Path]) -> Answering:
    """Record what is filled in on these sheets. ValueError where one is no sheet of yardmark."""
    rows: list[tuple[str, Filled]] = []
    unread: list[str] = []
    for path in paths:
        kind, filled, problems = read_filled(path.read_bytes(), path.name)
        rows += [(kind, row) for row in filled]
        unread += problems
    answering = take_answers(facility, held_with_context(warehouse), rows)
    answering.refused += unread
    return answering


def held_with_context(warehouse: Warehouse) -> pl.DataFrame:
    """Open held rows with what an answer needs: file, line, code, field, seen (the written name too), device,
    day, drop_no and path, and with `question`, equal where one answer is for several lines."""
    drops = warehouse.read("_drops").with_columns(file=pl.col("file_id").str.slice(0, FILE_DIGITS))
    reads = {name: warehouse.read(name) for name in READ_TABLES}
    days = [
        read.select("drop_no", "line", "written_name", day=pl.col("local").dt.date())
        for read in reads.values()
    ]
    rows = pl.concat(days).unique(["drop_no", "line"])
    held = warehouse.read("held_rows").filter(pl.col("state") == "open").rename({"file_id": "file"})
    principal = drops.filter(pl.col("state") != "repeated").select("file", "drop_no", "device", "path")
    joined = held.join(principal, on="file").join(rows, on=["drop_no", "line"], how="left")
    is_name = pl.col("field") == "athlete"
    seen = joined.with_columns(seen=pl.when(is_name).then("written_name").otherwise("value"))
    return with_questions(seen.sort("drop_no", "line", "code"), drops, reads)


def answer(facility: Facility, warehouse: Warehouse, say: Say, paths: Iterable[Path]) -> IntakeReport:
    """Take in filled sheets, and release what they answer."""
    answering = give_answers(facility, warehouse, paths)
    changed = load_facility(facility.folder)
    report = update(changed, warehouse, say)
    report.answering = _with_outcome(answering, warehouse)
    return report


def _with_outcome(answering: Answering, warehouse: Warehouse) -> Answering:
    """What was answered, with each line that waits all the same, and why."""
    held = warehouse.read("held_rows").filter(pl.col("state") == "open")
    waiting = held.select("file_id", "line", "reason").iter_rows()
    reasons = {(file, line): reason for file, line, reason in waiting}
    for row, file, line in answering.lines:
        if (file, line) in reasons:
            answering.refused.append(f"{row.sheet}, line {row.line}: it still waits. {reasons[file, line]}")
    return answering


def retry(facility: Facility, warehouse: Warehouse, say: Say) -> IntakeReport:
    """Read all that is held again, with the layouts and answers of now."""
    problems = warehouse.read("_problems")["drop_no"].unique().to_list()
    return update(facility, warehouse, say, problems)

"""Taking in: from the inbox to what is true now; and every later change of mind.

`take_in`, `say_who`, `answer` and `retry` differ in what they add to what is known; all of them end in
`update`, which reads what is not read yet, resolves everything, checks the law of rows and commits once.
"""

from __future__ import annotations

import json
from collections import defaultdict
from collections.abc import Callable, Iterable, Iterator
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, field
from datetime import date, datetime
from pathlib import Path

import polars as pl

from pipeline.facility.folder import Facility, load_facility
from pipeline.ids import text_id
from pipeline.intake import archive
from pipeline.intake.answering import Answering, Desk, take_answers, unnamed_people
from pipeline.intake.answers import Answer, append_answers, me, name_subject, read_answers
from pipeline.intake.archive import CannotRead, Drop, Mark
from pipeline.intake.changes import changed
from pipeline.intake.closure import listed
from pipeline.intake.drops import (
    LARGE,
    Batch,
    Opened,
    as_batch,
    is_large,
    large_batches,
    open_content,
    path_text,
    read_opened,
)
from pipeline.intake.forgotten import read_forgotten
from pipeline.intake.identity import Alias
from pipeline.intake.knowledge import Clock, DeviceFacts, Knowledge, build_knowledge
from pipeline.intake.law import check_read
from pipeline.intake.renew import READ_TABLES, Renewed, renew
from pipeline.intake.resolve import FILE_DIGITS
from pipeline.intake.settle import Settled, Stamp, Waiting, settled_files, stamp_of
from pipeline.intake.sheets import Filled, as_text, kind_of, read_filled
from pipeline.intake.suspect_sheet import take_suspect, without, write_suspects
from pipeline.intake.suspects import Subject, corrections_with
from pipeline.intake.touched import Touched, everything
from pipeline.intake.unread import Unread, no_longer_read, note_unread
from pipeline.intake.waiting import held_with_context, open_codes, renew_sheets
from pipeline.warehouse.store import Warehouse

Say = Callable[[str], None]
_AT_ONCE = 8


@dataclass
class IntakeReport:
    """What an intake did. `files`: rows of the table `files` that are new or changed, with their path;
    `unread`: files that their layout read before and does not read now."""

    new_drops: int = 0
    files: pl.DataFrame = field(default_factory=pl.DataFrame)
    open_codes: dict[str, int] = field(default_factory=dict)
    released: int = 0
    unread: Unread = field(default_factory=list)
    waiting: list[Waiting] = field(default_factory=list)
    sheets: list[str] = field(default_factory=list)
    answering: Answering | None = None


def knowledge_of(facility: Facility, until: datetime | None = None) -> Knowledge:
    """What the facility's people have said, from its config and its recorded answers; `until`: before
    then."""
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
    answers = read_answers(facility.config, until)
    corrections = facility.corrections
    if until is not None:
        corrections = corrections.filter(pl.col("made_on").is_null() | (pl.col("made_on") < until))
    return build_knowledge(
        athletes,
        aliases,
        list(settings.guests),
        answers,
        corrections_with(corrections, answers),
        settings.timezone,
        f"{settings.day_start:%H:%M}",
        tuple(f"{slot:%H:%M}" for slot in settings.slots),
        devices,
        read_forgotten(facility.archive),
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
        answering = _take_sheets(facility, warehouse, say, sheets)
        facility = load_facility(facility.folder)
    taken = _into_archive(facility, warehouse, {p: s for p, s in settled.items() if p not in sheets}, waiting)
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


def _take_sheets(facility: Facility, warehouse: Warehouse, say: Say, paths: list[Path]) -> Answering:
    """Answers from sheets dropped into the inbox; the sheets themselves go to the archive."""
    result = give_answers(facility, warehouse, say, paths)
    for path in paths:
        archive.store(facility.archive, path)
        path.unlink(missing_ok=True)
    return result


def _into_archive(
    facility: Facility, warehouse: Warehouse, settled: dict[Path, Stamp], waiting: list[Waiting]
) -> dict[Path, Stamp]:
    """Copy files into the archive and name them in the index; those that may leave the inbox."""
    fresh: list[Drop] = []
    taken: dict[Path, Stamp] = {}
    archive.remove_unfinished(facility.archive)
    if settled:
        # Before the first original, so that an archive without an index is known to have lost it.
        archive.append_index(facility.archive, [])
    # Several at once, because most of the time of a small file is the disk's.
    with ThreadPoolExecutor(_AT_ONCE) as pool:
        stored = pool.map(lambda path: _stored(facility.archive, path), settled)
        kept = dict(zip(settled, stored, strict=True))
    for path, stamp in settled.items():
        found = kept[path]
        if isinstance(found, CannotRead):
            waiting.append(Waiting(path, f"it can't be read now ({found})"))
            continue
        file_id, size, now = found
        if not stamp == now == Stamp(size, now.mtime_ns):
            waiting.append(Waiting(path, "it is still being written"))
            continue
        place = path.relative_to(facility.inbox).as_posix()
        drop_id = archive.drop_id_of(place, size, stamp.mtime_ns, file_id)
        taken[path] = stamp
        written = archive.moment_of(stamp.mtime_ns)
        fresh.append(Drop(0, drop_id, file_id, place, archive.utc_now(), size, written))
    known = _known_drops(facility, warehouse, [drop.drop_id for drop in fresh])
    archive.append_index(facility.archive, [drop for drop in fresh if drop.drop_id not in known])
    return taken


def _stored(folder: Path, path: Path) -> tuple[str, int, Stamp] | CannotRead:
    """A file copied into the archive: its hash, size and how it was just after; or why it can't be read."""
    try:
        file_id, size = archive.store(folder, path)
    except CannotRead as error:
        return error
    try:
        return file_id, size, stamp_of(path)
    except OSError as error:
        return CannotRead(error.strerror or str(error))


def _known_drops(facility: Facility, warehouse: Warehouse, drop_ids: list[str]) -> set[str]:
    """Those of these drops that the index has: in what was taken in before, or beyond it."""
    beyond, _ = archive.read_index_from(facility.archive, _mark(warehouse))
    ids = pl.DataFrame({"drop_id": drop_ids}, {"drop_id": pl.String})
    stored = warehouse.select("SELECT drop_id FROM _drops WHERE drop_id IN (FROM _ids)", _ids=ids)
    return {drop.drop_id for drop in beyond} | set(stored["drop_id"])


def _mark(warehouse: Warehouse) -> Mark:
    """How much of the index the warehouse holds."""
    return Mark(*json.loads(warehouse.meta("index") or "[0, 0]"))


def is_behind(facility: Facility, warehouse: Warehouse) -> bool:
    """Whether the warehouse holds nothing of what the archive has: it was lost, or is to be made anew."""
    return warehouse.meta("resolved") is None and archive.has_drops(facility.archive)


def is_unheard(facility: Facility, warehouse: Warehouse) -> bool:
    """Whether people have said something since (corrections, aliases, answers)."""
    known = warehouse.meta("knowledge")
    return known is not None and known != knowledge_of(facility).fingerprint


def update(facility: Facility, warehouse: Warehouse, say: Say, reread: Iterable[int] = ()) -> IntakeReport:
    """Bring the warehouse up to what the archive holds and people have said; commits once, or not at all.

    `reread`: numbers of drops to read again. Raises LawOfRows.
    """
    knowledge = knowledge_of(facility)
    read_with = _read_with(facility, knowledge)
    due = _due(facility, warehouse, read_with, reread)
    report = IntakeReport(new_drops=len(due.fresh))
    # Of the last time: it may have ended between the commit and the sheets.
    due_sheets = set(json.loads(warehouse.meta("sheets") or "[]"))
    if not due and warehouse.meta("knowledge") == knowledge.fingerprint:
        if due_sheets:
            _write_sheets(report, facility, warehouse, knowledge, due_sheets)
        else:
            report.open_codes = open_codes(held_with_context(warehouse))
        return report
    with warehouse.transaction():
        renewed = _store_and_renew(facility, warehouse, knowledge, due, say)
        report.unread = note_unread(warehouse, renewed)
        due_sheets |= _with_questions(renewed)
        warehouse.set_meta("knowledge", knowledge.fingerprint)
        warehouse.set_meta("spoken", json.dumps(knowledge.spoken))
        warehouse.set_meta("read_with", json.dumps(read_with))
        warehouse.set_meta("index", json.dumps([due.mark.end, due.mark.drops]))
        warehouse.set_meta("sheets", json.dumps(sorted(due_sheets)))
        stored = _stamp_of_drops(warehouse, due)
        warehouse.set_meta("drops", stored)
        warehouse.set_meta(
            "resolved", text_id("\n".join((knowledge.fingerprint, json.dumps(read_with), stored)))
        )
    _write_sheets(report, facility, warehouse, knowledge, due_sheets)
    others = renewed.files.join(renewed.before, on=renewed.files.columns, how="anti", nulls_equal=True)
    names = renewed.drops.select("drop_id", "drop_no", "path")
    report.files = others.drop("path").join(names, on="drop_id").sort("drop_no")
    still_held = renewed.files.join(renewed.before, on="drop_id", how="semi")["held"].sum()
    report.released = max(0, int(renewed.before["held"].sum()) - int(still_held))
    return report


def _write_sheets(
    report: IntakeReport, facility: Facility, warehouse: Warehouse, knowledge: Knowledge, due: set[str]
) -> None:
    """Write the sheets of the files `due` (16 digits), then remember that no more are."""
    waiting = held_with_context(warehouse)
    report.open_codes = open_codes(waiting)
    report.sheets = renew_sheets(facility, knowledge, waiting, due)
    if due:
        warehouse.set_meta("sheets", "[]")


def _stamp_of_drops(warehouse: Warehouse, due: _Due) -> str:
    """A hash of all drops that are stored, in their order; it does not tell in how many runs they came."""
    stamp = warehouse.meta("drops") or ""
    for drop_id in due.ids:
        stamp = text_id(stamp + drop_id)
    return stamp


def _with_questions(renewed: Renewed) -> set[str]:
    """The files, of those renewed, that have or had lines that wait."""
    files = pl.concat([renewed.files, renewed.before]).filter(pl.col("held") > 0)
    return set(files["file_id"].str.slice(0, FILE_DIGITS))


def _read_with(facility: Facility, knowledge: Knowledge) -> dict[str, str]:
    """All beside its bytes that the reading of a file depends on, each by a name of its own."""
    layouts = {f"layout {name}": layout.model_dump_json() for name, layout in facility.layouts.items()}
    cells = {f"cells {file}": repr(sorted(said.items())) for file, said in knowledge.cell_answers.items()}
    return {"timezone": facility.settings.timezone, **layouts, **cells}


def would_not_read(facility: Facility, warehouse: Warehouse) -> Unread:
    """Files whose layout was changed since and would not read them any more: (path, layout)."""
    knowledge = knowledge_of(facility)
    before = json.loads(warehouse.meta("read_with") or "{}")
    now = _read_with(facility, knowledge)
    keys = {key for key in now if key in before and before[key] != now[key] and key.startswith("layout ")}
    return no_longer_read(facility, knowledge, warehouse, [key.removeprefix("layout ") for key in keys])


@dataclass(frozen=True)
class _Due:
    """What is to be read: `fresh` drops are new (`ids`: their ids), `contents` are read with all their drops
    (by content, in index order), `repeats` are new drops of contents that stay as they were read. `mark`:
    see `archive`."""

    fresh: frozenset[int]
    ids: tuple[str, ...]
    contents: list[list[Drop]]
    repeats: list[Drop]
    mark: Mark

    def __bool__(self) -> bool:
        return bool(self.contents or self.repeats)


def _due(facility: Facility, warehouse: Warehouse, read_with: dict[str, str], reread: Iterable[int]) -> _Due:
    """Contents to read: those of new drops, those asked for, and those that would be read otherwise now.

    What a layout read stays where that layout has mistakes now, or is gone. A content that is read already
    is not read again because it is dropped again: the first drop that a layout claims stands for it.
    """
    new, mark = archive.read_index_from(facility.archive, _mark(warehouse))
    again = _read_otherwise(warehouse, read_with, set(reread))
    files = pl.DataFrame({"file_id": [drop.file_id for drop in new]}, {"file_id": pl.String})
    known = warehouse.select(
        "SELECT drop_no, file_id, state FROM _drops WHERE file_id IN (FROM _files)", _files=files
    )
    read = set(known.filter(pl.col("state") == "read")["file_id"]) - again
    wanted = again | set(known["file_id"]) - read
    # Only where an older drop is to be read too, all of the index is looked at.
    drops = archive.read_index(facility.archive) if wanted else new
    by_content: dict[str, list[Drop]] = defaultdict(list)
    for drop in drops:
        if drop.file_id in wanted or (drop.number > mark.drops - len(new) and drop.file_id not in read):
            by_content[drop.file_id].append(drop)
    repeats = [drop for drop in new if drop.file_id in read]
    ids = tuple(drop.drop_id for drop in new)
    return _Due(frozenset(drop.number for drop in new), ids, list(by_content.values()), repeats, mark)


def _read_otherwise(warehouse: Warehouse, now: dict[str, str], reread: set[int]) -> set[str]:
    """Contents of drops that are to be read again."""
    before = json.loads(warehouse.meta("read_with") or "{}")
    changed = {key for key in {*before, *now} if before.get(key) != now.get(key)}
    changed -= {key for key in before if key not in now and key.startswith("layout ")}
    if not changed and not reread:
        return set()
    drops = warehouse.select("SELECT drop_no, file_id, layout FROM _drops")

    def is_due(drop_no: int, file_id: str, layout: str | None) -> bool:
        ways = {"timezone", f"layout {layout}", f"cells {file_id[:FILE_DIGITS]}"}
        return drop_no in reread or not ways.isdisjoint(changed)

    return {file_id for drop_no, file_id, layout in drops.iter_rows() if is_due(drop_no, file_id, layout)}


def _store_and_renew(
    facility: Facility, warehouse: Warehouse, knowledge: Knowledge, due: _Due, say: Say
) -> Renewed:
    """Store what is due, and resolve anew what it and what was said since touch."""
    said = json.loads(warehouse.meta("spoken") or "null")
    change = changed(said, knowledge.spoken)
    numbers = {drop.number for drops in due.contents for drop in drops} | {d.number for d in due.repeats}
    touched = Touched(numbers, numbers & due.fresh)
    again = numbers - due.fresh
    if again and not change.everything:
        touched.touch_rows_of(warehouse, again, knowledge)
    for name in (*READ_TABLES, "_drops", "_problems", "_skipped"):
        warehouse.delete_drops(name, again)
    for batch in _ahead(_batches(facility, knowledge, due.contents, say)):
        for name, frame in batch.tables.items():
            warehouse.append(name, frame)
        check_read(warehouse, batch)
    _store_repeats(warehouse, due.repeats)
    if change.everything:
        touched = everything(warehouse)
    else:
        touched.touch_changed(warehouse, change, knowledge)
    return renew(warehouse, knowledge, touched)


def _batches(
    facility: Facility, knowledge: Knowledge, contents: list[list[Drop]], say: Say
) -> Iterator[Batch]:
    """What the contents say, as frames to store."""
    opened: list[Opened] = []
    for done, group in enumerate(contents, start=1):
        if is_large(group[0], facility) and archive.is_as_dropped(facility.archive, group[0].file_id):
            yield from large_batches(group, facility, knowledge)
            continue
        opened += open_content(group, facility, knowledge)
        if sum(item.drop.size for item in opened) > LARGE:
            yield as_batch(read_opened(opened, facility.tests), facility.settings.timezone)
            opened = []
        if done % 100 == 0:
            say(f"{done} of {len(contents)} files opened")
    yield as_batch(read_opened(opened, facility.tests), facility.settings.timezone)


def _ahead(batches: Iterator[Batch]) -> Iterator[Batch]:
    """Batches, each made in a thread while the one before is stored."""
    with ThreadPoolExecutor(1) as pool:
        coming = pool.submit(next, batches, None)
        while (batch := coming.result()) is not None:
            coming = pool.submit(next, batches, None)
            yield batch


def _store_repeats(warehouse: Warehouse, repeats: list[Drop]) -> None:
    """Store drops of contents that were read before."""
    if not repeats:
        return
    new = pl.DataFrame(
        {
            "file_id": [drop.file_id for drop in repeats],
            "number": [drop.number for drop in repeats],
            "new_id": [drop.drop_id for drop in repeats],
            "new_path": [path_text(drop.path) for drop in repeats],
            "at": [drop.received_at for drop in repeats],
            "written": [drop.written_at for drop in repeats],
        },
        schema_overrides={"number": pl.Int32},
    )
    first = warehouse.rows("_drops", "state = 'read' AND file_id IN (SELECT file_id FROM _new)", _new=new)
    placed = first.join(new, on="file_id")
    skipped = warehouse.rows("_skipped", f"drop_no IN {listed(first['drop_no'])}")
    warehouse.append(
        "_drops",
        placed.with_columns(
            drop_no="number",
            drop_id="new_id",
            path="new_path",
            received_at="at",
            written_at="written",
            state=pl.lit("repeated"),
        ),
    )
    numbers = placed.select("drop_no", "number")
    warehouse.append("_skipped", skipped.join(numbers, on="drop_no").with_columns(drop_no="number"))


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


def give_answers(facility: Facility, warehouse: Warehouse, say: Say, paths: Iterable[Path]) -> Answering:
    """Record what is filled in on these sheets. ValueError where one is no sheet of yardmark."""
    rows: list[tuple[str, Filled]] = []
    unread: list[str] = []
    for path in paths:
        kind, filled, problems = read_filled(path.read_bytes(), path.name)
        rows += [(kind, row) for row in filled]
        unread += problems
    # A sitting that was cut off may have recorded answers that nothing was made of yet: these are answered.
    # One that wrote down people alone has recorded none, and what waits for them still does.
    if not unnamed_people(facility.config):
        update(facility, warehouse, say)
    suspects, answered = warehouse.read("_suspects"), list[Subject]()

    def suspect(desk: Desk, row: Filled) -> None:
        subject = take_suspect(desk, row, suspects)
        answered.extend([] if subject is None else [subject])

    answering = take_answers(facility, held_with_context(warehouse), rows, suspect)
    answering.refused += unread
    if answered:
        still = without(suspects, answered)
        warehouse.replace("_suspects", still)
        write_suspects(facility, knowledge_of(facility).names, still)
    return answering


def answer(facility: Facility, warehouse: Warehouse, say: Say, paths: Iterable[Path]) -> IntakeReport:
    """Take in filled sheets, and release what they answer."""
    answering = give_answers(facility, warehouse, say, paths)
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
    problems = warehouse.select("SELECT DISTINCT drop_no FROM _problems")
    return update(facility, warehouse, say, problems["drop_no"])

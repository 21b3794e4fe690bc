"""From the index of what was dropped to what was read: which drop stands for a content, and its reading."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass, replace
from pathlib import PurePosixPath

import polars as pl

from pipeline.facility.folder import Facility
from pipeline.intake import archive
from pipeline.intake.archive import Drop
from pipeline.intake.families import other_tests
from pipeline.intake.knowledge import Knowledge
from pipeline.intake.own_files import is_own_output
from pipeline.intake.read import Export, Texts, WholeFile, read_blocks, read_export, reads_in_blocks
from pipeline.intake.recognise import Claimed, recognise
from pipeline.intake.resolve import FILE_DIGITS
from pipeline.intake.typed import Reading, read_all
from pipeline.reading.lines import count_lines
from pipeline.reading.split import UndecodableFile, count_lines_of
from pipeline.reading.workbook import UnreadableWorkbook, is_workbook
from schemas.families import FAMILIES
from schemas.frames import DType, polars_schema
from schemas.internal import DROPS, PROBLEMS, SKIPPED, read_table

LARGE = 32_000_000
"""A content of more bytes is read part by part."""
_START = 4_000_000
WHOLE = 200_000_000
"""A content of more bytes is not read whole where it can't be read part by part."""

# First bytes of files that are no table in any reading.
_BINARY = {
    b"%PDF": "a PDF",
    b"\x89PNG": "a picture",
    b"\xff\xd8\xff": "a picture",
    b"GIF8": "a picture",
    b"Rar!": "a packed archive",
    b"7z\xbc\xaf": "a packed archive",
    b"\x1f\x8b": "a packed file",
}
_CONTROL = bytes(byte for byte in range(32) if byte not in (0, 9, 10, 12, 13))


@dataclass(frozen=True)
class Outcome:
    """What opening a content came to: its rows as text, or why the whole file waits."""

    state: str
    n_lines: int | None
    texts: Texts | None = None
    waits: WholeFile | None = None


@dataclass(frozen=True)
class Opened:
    """A drop and what opening its content came to, `state` being the drop's own."""

    drop: Drop
    state: str
    outcome: Outcome


@dataclass(frozen=True)
class ReadDrop:
    """One drop and what reading it gave; `reading` is None where the whole file waits."""

    drop: Drop
    state: str
    n_lines: int | None
    reading: Reading | None
    waits: WholeFile | None


@dataclass
class Batch:
    """Frames of the internal tables for some drops, and the lines that reading promised: drop_no, line, n."""

    drop_nos: list[int]
    tables: dict[str, pl.DataFrame]
    promised: pl.DataFrame


def open_content(drops: list[Drop], facility: Facility, knowledge: Knowledge) -> list[Opened]:
    """Open the drops of one content, in index order.

    The first that a layout claims stands for the content, else the first; the others are repeated. (The same
    bytes can be claimed in one folder and in no other.)
    """
    limit = facility.settings.max_file_mb * 1_000_000
    if drops[0].size > limit:
        reason = f"It has {drops[0].size / 1e6:,.0f} MB; the limit is {facility.settings.max_file_mb} MB."
        outcomes = [Outcome("held", None, waits=WholeFile("too_large", reason))]
    else:
        outcomes = _open_original(drops, facility, knowledge)
    last = len(outcomes) - 1
    principal = last if outcomes[last].state == "read" else 0
    outcome = outcomes[principal]
    return [
        Opened(drop, outcome.state if at == principal else "repeated", outcome)
        for at, drop in enumerate(drops)
    ]


def _open_original(drops: list[Drop], facility: Facility, knowledge: Knowledge) -> list[Outcome]:
    """What opening each of the drops of one content comes to, up to the first that is read."""
    try:
        data = archive.load(facility.archive, drops[0].file_id)
    except (FileNotFoundError, archive.NotAsDropped) as error:
        seen = "is gone" if isinstance(error, FileNotFoundError) else "has other bytes than what was dropped"
        reason = f"archive/{drops[0].file_id} {seen}."
        return [Outcome("held", None, waits=WholeFile("original_damaged", reason))]
    outcomes: list[Outcome] = []
    for drop in drops:
        outcomes.append(open_file(data, drop.path, facility, knowledge, drop.file_id))
        if outcomes[-1].state == "read":
            break
    return outcomes


def is_large(drop: Drop, facility: Facility) -> bool:
    """Whether a content is read part by part."""
    return LARGE < drop.size <= facility.settings.max_file_mb * 1_000_000


def large_batches(drops: list[Drop], facility: Facility, knowledge: Knowledge) -> Iterator[Batch]:
    """The batches of the drops of one large content, in index order; see `open_content`."""
    start = archive.start_of(facility.archive, drops[0].file_id, _START)
    tried = [open_file(start, drop.path, facility, knowledge, drop.file_id) for drop in drops]
    read = [at for at, outcome in enumerate(tried) if outcome.state == "read"]
    principal = read[0] if read else 0
    texts = tried[principal].texts
    timezone = facility.settings.timezone
    if texts is None or not reads_in_blocks(texts) or b"\n" not in start:
        if drops[0].size > WHOLE and not is_workbook(start, drops[0].path):
            yield as_batch(_held_unread(drops, facility, tried[principal]), timezone)
            return
        yield as_batch(read_opened(open_content(drops, facility, knowledge), facility.tests), timezone)
        return
    drop, n_lines, seq = drops[principal], 0, 0
    # What is looked at in advance is read again with the rest.
    reading = read_all([replace(texts, rows=texts.rows.clear())])[0]
    skipped = [reading.skipped.clear()]
    with archive.open_original(facility.archive, drop.file_id) as stream:
        for part in read_blocks(stream, texts):
            reading = _of_declared_tests(read_all([part])[0], facility.tests)
            reading = replace(reading, rows=reading.rows.with_columns(pl.col("seq") + seq))
            n_lines, seq = n_lines + part.n_lines, seq + reading.rows.height
            skipped.append(reading.skipped)
            batch = as_batch([ReadDrop(drop, "read", None, reading, None)], timezone)
            yield replace(batch, tables={**batch.tables, "_drops": batch.tables["_drops"].clear()})
    # What the file is as a whole is known at its end.
    rows, problems, lines = (f.clear() for f in (reading.rows, reading.problems, reading.rows_per_line))
    whole = replace(reading, rows=rows, problems=problems, rows_per_line=lines, unmapped=texts.unmapped)
    own = replace(whole, skipped=skipped[0].clear())
    others = replace(whole, skipped=pl.concat(skipped))
    ends = [
        ReadDrop(d, "read", n_lines, own, None)
        if d is drop
        else ReadDrop(d, "repeated", n_lines, others, None)
        for d in drops
    ]
    yield as_batch(ends, timezone)


def _held_unread(drops: list[Drop], facility: Facility, tried: Outcome) -> list[ReadDrop]:
    """The drops of a content that can't be read part by part and is too large to be read whole. `tried`: what
    its first lines came to."""
    if tried.waits is not None:
        waits, state = tried.waits, tried.state
        with archive.open_original(facility.archive, drops[0].file_id) as stream:
            n_lines = count_lines_of(stream)
    else:
        reason = (
            f"It has {drops[0].size / 1e6:,.0f} MB. Of a file in UTF-16, with fields over several lines or "
            f"without line feeds, {WHOLE / 1e6:,.0f} MB are read at most; export it otherwise."
        )
        waits, state, n_lines = WholeFile("too_large", reason), "held", None
    return [
        ReadDrop(drop, "repeated" if at else state, n_lines, None, waits) for at, drop in enumerate(drops)
    ]


def read_opened(opened: list[Opened], declared: Mapping[str, str]) -> list[ReadDrop]:
    """Read what was opened, all files of one layout together.

    `declared`: test -> unit of the facility's other tests.
    """
    of_content = {item.drop.file_id: item.outcome for item in opened}
    with_texts = {file_id: outcome.texts for file_id, outcome in of_content.items() if outcome.texts}
    readings = dict(zip(with_texts, read_all(list(with_texts.values())), strict=True))
    checked = {file_id: _of_declared_tests(reading, declared) for file_id, reading in readings.items()}
    return [
        ReadDrop(
            item.drop, item.state, item.outcome.n_lines, checked.get(item.drop.file_id), item.outcome.waits
        )
        for item in opened
    ]


def open_file(data: bytes, path: str, facility: Facility, knowledge: Knowledge, file_id: str = "") -> Outcome:
    """Open one file's bytes as if dropped at `path` below the inbox."""
    export = Export(PurePosixPath(path).name, data)
    refused = _refused(export)
    if refused is not None:
        state = "rejected" if refused.code in ("unreadable", "own_output") else "held"
        return Outcome(state, _count(data), waits=refused)
    claimed = recognise(path, export, facility.layouts, facility.faulty_layouts)
    if isinstance(claimed, Claimed):
        overrides = knowledge.cell_answers.get(file_id[:FILE_DIGITS], {})
        texts = read_export(
            export, claimed.layout, claimed.head, claimed.header_at, facility.settings.timezone, overrides
        )
        if isinstance(texts, Texts):
            return Outcome("read", texts.n_lines, texts)
        claimed = texts
    return Outcome("held", _lines_of(export), waits=claimed)


def _of_declared_tests(reading: Reading, declared: Mapping[str, str]) -> Reading:
    """A reading in which lines of other tests wait unless the facility has declared test and unit."""
    if reading.layout.family != other_tests.FAMILY:
        return reading
    found = other_tests.undeclared(reading.rows, declared).with_columns(pl.col("line").cast(pl.Int32))
    return replace(
        reading,
        rows=reading.rows.join(found, on="line", how="anti"),
        problems=pl.concat([reading.problems, found]).sort("line", maintain_order=True),
    )


def _refused(export: Export) -> WholeFile | None:
    """Why a file is not even tried."""
    if not export.data:
        return WholeFile("empty_file", "It has no bytes at all.")
    if is_own_output(export.data):
        return WholeFile("own_output", "Its columns are those of a file in published/.")
    for start, kind in _BINARY.items():
        if export.data.startswith(start):
            return WholeFile("unreadable", f"It is {kind}.")
    if not export.is_workbook and _is_binary(export.data[:4096]):
        return WholeFile("unreadable", "It is no text.")
    if export.is_workbook:
        try:
            export.sheet(None, ".")
        except UnreadableWorkbook as error:
            return WholeFile("unreadable", str(error))
    return None


def _is_binary(start: bytes) -> bool:
    """Whether the first bytes hold more control signs than any text, in whatever encoding."""
    odd = len(start) - len(start.translate(None, _CONTROL))
    return odd > 0.03 * len(start)


def _lines_of(export: Export) -> int | None:
    return len(export.sheet(None, ".")) if export.is_workbook else _count(export.data)


def _count(data: bytes) -> int | None:
    encoding = "utf-16" if data[:2] in (b"\xff\xfe", b"\xfe\xff") else "utf-8"
    try:
        return count_lines(data, encoding)
    except UndecodableFile:
        return None


def as_batch(read: Iterable[ReadDrop], timezone: str) -> Batch:
    """Frames of the internal tables for these drops."""
    drops = list(read)
    frames: dict[str, list[pl.DataFrame]] = {read_table(f).name: [] for f in FAMILIES.values()}
    problems: list[pl.DataFrame] = []
    skipped: list[pl.DataFrame] = []
    promised: list[pl.DataFrame] = []
    for item in drops:
        number = pl.lit(item.drop.number, dtype=pl.Int32).alias("drop_no")
        if item.reading is not None and item.state == "repeated":
            # What carries nothing in a content carries nothing in each drop of it.
            skipped.append(item.reading.skipped.with_columns(number))
        elif item.reading is not None:
            r = item.reading
            frames[read_table(FAMILIES[r.layout.family]).name].append(r.rows.with_columns(number))
            problems.append(r.problems.with_columns(number))
            skipped.append(r.skipped.with_columns(number))
            promised.append(r.rows_per_line.with_columns(number))
        elif item.waits is not None and item.state != "repeated":
            whole = pl.DataFrame({"code": [item.waits.code], "reason": [item.waits.reason]})
            problems.append(whole.with_columns(number))
    tables = {
        "_drops": pl.DataFrame(
            [_drop_row(item, timezone) for item in drops], schema=polars_schema(DROPS), orient="row"
        ),
        "_problems": _stack(problems, polars_schema(PROBLEMS)),
        "_skipped": _stack(skipped, polars_schema(SKIPPED)),
    }
    for family in FAMILIES.values():
        table = read_table(family)
        tables[table.name] = _stack(frames[table.name], polars_schema(table))
    shape = {"drop_no": pl.Int32, "line": pl.Int32, "n": pl.UInt32}
    return Batch([item.drop.number for item in drops], tables, _stack(promised, shape))


def _stack(frames: list[pl.DataFrame], schema: Mapping[str, DType]) -> pl.DataFrame:
    empty = pl.DataFrame(schema=dict(schema))
    stacked = pl.concat([empty, *frames], how="diagonal_relaxed")
    return stacked.select(pl.col(name).cast(dtype) for name, dtype in schema.items())


def path_text(path: str) -> str:
    """A path as text that can be stored, whatever bytes the file's name has."""
    return path.encode("utf-8", "replace").decode()


def _drop_row(item: ReadDrop, timezone: str) -> tuple[object, ...]:
    drop, reading = item.drop, item.reading
    layout = reading.layout if reading else None
    return (
        drop.number,
        drop.drop_id,
        drop.file_id,
        path_text(drop.path),
        drop.received_at,
        drop.written_at,
        layout.layout if layout else None,
        layout.family if layout else None,
        layout.device if layout else None,
        layout.method_version if layout else None,
        (layout.columns["performed_at"].timezone if layout else None) or timezone,
        item.state,
        item.n_lines,
        reading.first_line if reading else 1,
        ", ".join(reading.unmapped) if reading and reading.unmapped else None,
        any(c.unpivot for c in layout.columns.values()) if layout else False,
    )

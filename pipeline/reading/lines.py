"""The line reader: an export's bytes to physical lines, fields and a table that accounts for every line."""

from __future__ import annotations

from collections.abc import Callable, Collection, Iterable, Iterator, Sequence
from typing import BinaryIO, Literal

import numpy as np
import polars as pl

from pipeline.reading.fast import read_plain_lines
from pipeline.reading.fields import Rules, split_fields
from pipeline.reading.split import (
    LONGEST,
    Chunk,
    Content,
    UndecodableFile,
    blocks,
    chunks,
    cut,
    open_content,
)
from pipeline.reading.table import (
    MAX_FIELDS,
    MAX_LINE,
    Dialect,
    Fault,
    Gather,
    HeadLine,
    Skip,
    Table,
    shorten,
)

__all__ = [
    "Dialect",
    "HeadLine",
    "Table",
    "UndecodableFile",
    "count_lines",
    "line_texts",
    "line_texts_of",
    "read_head",
    "read_table",
    "read_table_in_blocks",
]

Judge = Callable[[str], list[str] | Fault | Skip]

# Of so few bytes the lines are read one by one sooner than together.
_FEW_BYTES = 20_000
_BEGINNING = 1_000
# A quoted field of more lines than this is a stray quote; the bound also keeps a file full of them fast.
MAX_CONTINUATIONS = 200


def count_lines(data: bytes, encoding: str) -> int:
    """Physical lines of a file; UndecodableFile for UTF-16 that cannot be split."""
    return open_content(data, encoding).count_lines()


def read_head(data: bytes, dialect: Dialect, limit: int = 200) -> list[HeadLine]:
    """The first `limit` physical lines, each with its fields where it splits; the rest is not looked at.

    With `multiline` a record over several lines is on its first line and its other lines have no fields.
    Raises UndecodableFile.
    """
    content = open_content(data, dialect.encoding)
    lines = [line for line, _ in zip(content.lines_from(0), range(limit), strict=False)]
    head: list[HeadLine] = []
    while len(head) < len(lines):
        n_lines, fields = _head_record(lines[len(head) :], dialect, content.encoding)
        for i in range(n_lines):
            text = _shown(lines[len(head)], content.encoding)
            head.append(HeadLine(len(head) + 1, text, None if i else fields))
    return head


def lines_of_records(data: bytes, dialect: Dialect) -> dict[int, int]:
    """How many physical lines each record has that goes over several: by its first line (from 1).

    None without `multiline`. Raises UndecodableFile.
    """
    if not dialect.multiline or b'"' not in data:
        return {}
    content = open_content(data, dialect.encoding)
    lines = list(content.lines_from(0))
    found, at = {}, 0
    while at < len(lines):
        n_lines, _ = _head_record(lines[at : at + 1 + MAX_CONTINUATIONS], dialect, content.encoding)
        if n_lines > 1:
            found[at + 1] = n_lines
        at += n_lines
    return found


def read_table(
    data: bytes,
    dialect: Dialect,
    header_line: int,
    header: Sequence[str],
    path: Literal["auto", "fast", "slow"] = "auto",
) -> Table:
    """Every line below the header as a row of cells, a problem or a skipped line.

    `header_line` is physical, from 1; `header` holds its fields. Empty names at the header's end are not
    columns: their cells are "". `path` is for tests: the paths give equal tables. Raises UndecodableFile,
    and ValueError where the header has no names.
    """
    content = open_content(data, dialect.encoding)
    rules = Rules.of(dialect, header)
    gather = Gather(rules.columns)
    parts: list[pl.DataFrame] = []
    if dialect.multiline and b'"' in content.data:
        _read_records(content, rules, header_line, gather)
    else:
        few = path == "auto" and len(content.data) < _FEW_BYTES
        slow = path == "slow" or few or not rules.delimiter.isascii()
        for chunk in chunks(content, content.offset_of(header_line + 1), header_line + 1):
            parts.append(_read_chunk(chunk, rules, gather, slow))
    return gather.table(parts, content.count_lines())


def read_table_in_blocks(
    stream: BinaryIO, dialect: Dialect, header_line: int, header: Sequence[str]
) -> Iterator[Table]:
    """`read_table` of a file of any size, in parts that follow one another; `n_lines` is the part's own.

    For files whose lines end in LF, in any encoding but UTF-16 and without `multiline`.
    """
    rules = Rules.of(dialect, header)
    for first_line, data in blocks(stream, header_line + 1):
        gather = Gather(rules.columns)
        chunk = cut(data, dialect.encoding, first_line)
        cells = _read_chunk(chunk, rules, gather, not rules.delimiter.isascii())
        yield gather.table([cells], len(chunk.starts))


def line_texts(data: bytes, encoding: str, lines: Collection[int]) -> dict[int, str]:
    r"""Original text of physical lines (from 1), undecodable bytes as \xNN; lines that do not exist lack."""
    content = open_content(data, encoding)
    return _texts_in(chunks(content, 0, 1), lines)


def line_texts_of(stream: BinaryIO, encoding: str, lines: Collection[int]) -> dict[int, str]:
    """`line_texts` of a file of any size whose lines end in LF, in any encoding but UTF-16."""
    return _texts_in((cut(data, encoding, line) for line, data in blocks(stream, 1)), lines)


def _texts_in(parts: Iterable[Chunk], lines: Collection[int]) -> dict[int, str]:
    texts: dict[int, str] = {}
    wanted = np.unique(np.fromiter(lines, np.int64, len(lines)))
    for chunk in parts:
        for i in wanted[np.isin(wanted, chunk.first_line + np.arange(len(chunk.starts)))] - chunk.first_line:
            texts[int(i) + chunk.first_line] = _shown(chunk.line(i), chunk.encoding)
    return texts


def _read_chunk(chunk: Chunk, rules: Rules, gather: Gather, slow: bool) -> pl.DataFrame:
    """Cells of a chunk in line order; its problems and skipped lines go to `gather`."""
    if slow:
        plain, rest = None, np.arange(len(chunk.starts))
    else:
        plain, chunk, rest = read_plain_lines(chunk, rules)
    for i in rest.tolist():
        gather.add(chunk.first_line + i, _judge_raw(chunk.line(i), chunk.encoding, rules.judge))
    cells = gather.take_cells()
    if plain is None or cells.is_empty():
        return cells if plain is None else plain
    return pl.concat([plain, cells], rechunk=False).sort("line")


def _judge_raw(raw: bytes, encoding: str, judge: Judge) -> list[str] | Fault | Skip:
    """What a line of bytes is."""
    if len(raw) > LONGEST:
        return _too_long(_shown(raw[:_BEGINNING], encoding), judge)
    try:
        text = raw.decode(encoding)
    except UnicodeDecodeError:
        return Fault("bad_bytes", shorten(_shown(raw, encoding)), f"text in {encoding}")
    return judge(text) if len(text) <= MAX_LINE else _too_long(text[:_BEGINNING], judge)


def _too_long(start: str, judge: Judge) -> Fault | Skip:
    """What a line is that is not split because of its length; a comment is one by how it begins."""
    if judge(start) == Skip("comment"):
        return Skip("comment")
    return Fault("line_too_long", shorten(start), f"at most {MAX_LINE:,} signs on a line")


def _shown(raw: bytes, encoding: str) -> str:
    if len(raw) > LONGEST:
        raw = raw[:_BEGINNING] + f" ... ({len(raw):,} bytes)".encode()
    return raw.decode(encoding, errors="backslashreplace")


def _head_record(lines: list[bytes], dialect: Dialect, encoding: str) -> tuple[int, list[str] | None]:
    """How many lines the first record has, and its fields where it splits."""

    def judge(text: str) -> list[str] | Fault:
        return split_fields(text, dialect.delimiter)

    window = lines[: 1 + MAX_CONTINUATIONS if dialect.multiline else 1]
    n_lines, outcome = _record(window, encoding, judge)
    return n_lines, outcome if isinstance(outcome, list) and len(outcome) <= MAX_FIELDS else None


def _record(lines: Sequence[bytes], encoding: str, judge: Judge) -> tuple[int, list[str] | Fault | Skip]:
    """How many lines the record has that begins with the first of them, and what it is.

    A line with an open quote is joined with those that follow only where the whole is then without fault;
    else it is a fault alone, so that one stray quote costs one line.
    """
    outcome = _judge_raw(lines[0], encoding, judge)
    if not (isinstance(outcome, Fault) and outcome.code == "open_quote"):
        return 1, outcome
    joined = lines[0]
    for i, line in enumerate(lines[1 : 1 + MAX_CONTINUATIONS], start=2):
        joined += b"\n" + line
        if b'"' in line:
            whole = _judge_raw(joined, encoding, judge)
            if not isinstance(whole, Fault):
                return i, whole
            if whole.code != "open_quote":
                break
    return 1, outcome


def _read_records(content: Content, rules: Rules, header_line: int, gather: Gather) -> None:
    """Rows whose quoted fields may span lines, from the header's own record on."""

    def judge_header(text: str) -> list[str] | Fault:
        return split_fields(text, rules.delimiter)

    lines = list(content.lines_from(content.offset_of(header_line)))
    at = 0
    while at < len(lines):
        line = header_line + at
        in_header = line == header_line
        window = lines[at : at + 1 + MAX_CONTINUATIONS]
        n_lines, outcome = _record(window, content.encoding, judge_header if in_header else rules.judge)
        if not in_header:
            gather.add(line, outcome)
        for i in range(1, n_lines):
            gather.add(line + i, Skip("continuation"))
        at += n_lines

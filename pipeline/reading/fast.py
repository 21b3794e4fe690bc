"""The fast path of the line reader: the plain lines of a chunk in one go.

It takes only lines that are rows beyond doubt (no quote, no stray byte, the usual number of fields, nothing
that might be a comment, a trailer or a header) and leaves all others to the slow path, which alone knows
the rules.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
import polars as pl

from pipeline.reading.fields import Rules
from pipeline.reading.split import Chunk, Offsets, cut
from pipeline.reading.table import MAX_LINE, WHITESPACE, cells_schema, trimmed

# Each field beyond the header's is looked at apart, which takes ever longer.
_MOST_SURPLUS = 50

Mask = npt.NDArray[np.bool_]


def read_plain_lines(chunk: Chunk, rules: Rules) -> tuple[pl.DataFrame, Chunk, Offsets]:
    """Cells of a chunk's plain lines, the chunk (perhaps re-encoded), and which of its lines are left."""
    chunk, decodes = _as_utf8(chunk)
    buffer = np.frombuffer(chunk.data, np.uint8)
    plain = _plain(chunk, buffer, decodes)
    n_fields = _fields_per_line(chunk, buffer, rules.delimiter)
    usual = _usual_count(n_fields[plain], len(rules.names))
    plain &= n_fields == usual
    if not plain.any():
        return pl.DataFrame(schema=cells_schema(rules.columns)), chunk, np.arange(len(plain))
    cells = _parse(_only(chunk, buffer, plain), rules.delimiter, usual)
    cells = cells.insert_column(0, pl.Series("line", np.flatnonzero(plain) + chunk.first_line, pl.Int32))
    cells = cells.filter(~_doubtful(rules, usual))
    plain[:] = False
    plain[cells["line"].to_numpy() - chunk.first_line] = True
    return _to_width(cells, rules, usual), chunk, np.flatnonzero(~plain)


def _as_utf8(chunk: Chunk) -> tuple[Chunk, bool]:
    """The chunk in UTF-8 and True; unchanged and False where some line of it does not decode."""
    if chunk.data.isascii():
        return chunk, True
    try:
        text = chunk.data.decode(chunk.encoding)
    except UnicodeDecodeError:
        return chunk, False
    if chunk.encoding == "utf-8":
        return chunk, True
    return cut(text.encode("utf-8"), "utf-8", chunk.first_line), True


def _plain(chunk: Chunk, buffer: npt.NDArray[np.uint8], decodes: bool) -> Mask:
    """Lines that are not empty and hold no quote, no CR inside, and no byte that may not decode."""
    plain: Mask = (chunk.ends > chunk.starts) & (chunk.ends - chunk.starts <= MAX_LINE)
    plain &= buffer[np.minimum(chunk.starts, len(buffer) - 1)] != 0xEF  # polars drops a mark at the start
    carriage = np.flatnonzero(buffer == 0x0D)
    stray = carriage[buffer[np.minimum(carriage + 1, len(buffer) - 1)] != 0x0A]
    odd = [np.flatnonzero(buffer == 0x22), stray]
    if not decodes:
        odd.append(np.flatnonzero(buffer >= 0x80))
    for positions in odd:
        plain[np.searchsorted(chunk.starts, positions, side="right") - 1] = False
    return plain


def _fields_per_line(chunk: Chunk, buffer: npt.NDArray[np.uint8], delimiter: str) -> Offsets:
    positions = np.flatnonzero(buffer == ord(delimiter))
    bounds = np.searchsorted(positions, np.append(chunk.starts, len(buffer)))
    return np.diff(bounds) + 1


def _usual_count(n_fields: Offsets, least: int) -> int:
    """The commonest number of fields that is enough for the header and not far more."""
    enough = n_fields[(n_fields >= least) & (n_fields <= least + _MOST_SURPLUS)]
    return int(np.bincount(enough).argmax()) if len(enough) else least


def _only(chunk: Chunk, buffer: npt.NDArray[np.uint8], mask: Mask) -> bytes:
    """The bytes of the chosen lines with their line ends."""
    if mask.all():
        return chunk.data
    lengths = np.diff(np.append(chunk.starts, len(buffer)))
    return buffer[np.repeat(mask, lengths)].tobytes()


def _parse(data: bytes, delimiter: str, n_fields: int) -> pl.DataFrame:
    cells = pl.read_csv(
        data,
        has_header=False,
        separator=delimiter,
        quote_char=None,
        schema={f"c{i}": pl.String for i in range(n_fields)},
    )
    return cells.with_columns(pl.all().fill_null(""))


def _doubtful(rules: Rules, n_fields: int) -> pl.Expr:
    """Rows that the slow path must look at: perhaps blank, comment, trailer, header, or a value too many."""
    first = trimmed(pl.col("c0"))
    doubt = first == rules.names[0]
    if n_fields == 1:
        doubt |= first == ""
    openings = list(rules.trailers)
    if rules.comment:
        openings.append(rules.comment.split(rules.delimiter)[0].rstrip(WHITESPACE))
    for opening in openings:
        doubt |= first.str.starts_with(opening)
    for i in range(len(rules.names), n_fields):
        doubt |= trimmed(pl.col(f"c{i}")) != ""
    return doubt


def _to_width(cells: pl.DataFrame, rules: Rules, n_fields: int) -> pl.DataFrame:
    """As many columns as the header has positions; those beyond its last name are empty."""
    cells = cells.drop([f"c{i}" for i in range(len(rules.names), n_fields)])
    return cells.with_columns(pl.lit("").alias(f"c{i}") for i in range(len(rules.names), rules.columns))

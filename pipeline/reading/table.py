"""What a read file is: its dialect, its head, and its table of cells, problems and skipped lines."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field

import polars as pl

# Unicode's White_Space, spelled out because Python's own idea of blank differs (\x1c-\x1f).
WHITESPACE = (
    "\t\n\x0b\x0c\r \x85\xa0\u1680\u2000\u2001\u2002\u2003\u2004\u2005\u2006\u2007\u2008\u2009\u200a"
    "\u2028\u2029\u202f\u205f\u3000"
)


def trimmed(text: pl.Expr) -> pl.Expr:
    """A text without `WHITESPACE` at its ends: it is what polars strips by itself, and sooner than a list."""
    return text.str.strip_chars()


PROBLEM_SCHEMA = {"line": pl.Int32, "code": pl.String, "seen": pl.String, "expected": pl.String}
SKIPPED_SCHEMA = {"line": pl.Int32, "why": pl.String}

_SEEN_LENGTH = 80
MAX_LINE = 1_000_000
"""Most signs of a line; a longer one is no row of a table, and is not even split."""
MAX_FIELDS = 10_000
"""Most fields of a header row."""


@dataclass(frozen=True)
class Dialect:
    """How a text export is written; the keys of a layout's `[file]` that concern lines and fields."""

    encoding: str = "utf-8"
    delimiter: str = ","
    multiline: bool = False
    comment: str | None = None
    trailer: tuple[str, ...] = ()

    def __post_init__(self) -> None:
        """Raise ValueError for a delimiter that cannot separate fields."""
        if len(self.delimiter) != 1 or self.delimiter in '"\r\n':
            raise ValueError(
                f"delimiter {self.delimiter!r} must be one character, not a quote and not a line end"
            )


@dataclass(frozen=True)
class HeadLine:
    """One of a file's first lines; `fields` is None where the line cannot be split into fields."""

    line: int
    text: str
    fields: list[str] | None


@dataclass
class Table:
    """The lines below a header: each is in exactly one of `cells`, `problems`, `skipped`.

    `cells`: `line` (Int32) and `c0`, `c1`, ... (String, untrimmed, never null), one a header position.
    `problems`: `line`, `code`, `seen`, `expected`. `skipped`: `line`, `why` (blank, header, comment,
    trailer, continuation). `n_lines`: physical lines in the whole file.
    """

    cells: pl.DataFrame
    problems: pl.DataFrame
    skipped: pl.DataFrame
    n_lines: int


@dataclass(frozen=True)
class Fault:
    """Why a line is no row: a code, what was seen, what was expected (plain words)."""

    code: str
    seen: str
    expected: str


@dataclass(frozen=True)
class Skip:
    """Why a line is passed over on purpose."""

    why: str


def shorten(text: str) -> str:
    """A text cut to what fits in a message."""
    return text if len(text) <= _SEEN_LENGTH else text[: _SEEN_LENGTH - 3] + "..."


def cells_schema(columns: int) -> dict[str, type[pl.DataType]]:
    """Column names and types of a table's cells."""
    return {"line": pl.Int32, **{f"c{i}": pl.String for i in range(columns)}}


@dataclass
class Gather:
    """Collects rows, faults and skips line by line and hands them over as frames."""

    columns: int
    lines: list[int] = field(default_factory=list)
    rows: list[Sequence[str]] = field(default_factory=list)
    problems: list[tuple[int, str, str, str]] = field(default_factory=list)
    skipped: list[tuple[int, str]] = field(default_factory=list)

    def add(self, line: int, outcome: list[str] | Fault | Skip) -> None:
        """Take in what became of a line; fields must be as many as there are columns."""
        if isinstance(outcome, list):
            self.lines.append(line)
            self.rows.append(outcome)
        elif isinstance(outcome, Fault):
            self.problems.append((line, outcome.code, outcome.seen, outcome.expected))
        else:
            self.skipped.append((line, outcome.why))

    def take_cells(self) -> pl.DataFrame:
        """The rows so far as a frame; they are forgotten here."""
        columns = list(zip(*self.rows, strict=True)) or [()] * self.columns
        data = {"line": self.lines, **{f"c{i}": list(column) for i, column in enumerate(columns)}}
        self.lines, self.rows = [], []
        return pl.DataFrame(data, schema=cells_schema(self.columns))

    def table(self, parts: list[pl.DataFrame], n_lines: int) -> Table:
        """All parts of cells, the rows still here, the problems and the skipped lines, in line order."""
        if self.rows or not parts:
            parts = [*parts, self.take_cells()]
        cells = parts[0] if len(parts) == 1 else pl.concat(parts, rechunk=False)
        if not cells["line"].is_sorted():
            cells = cells.sort("line")
        problems = pl.DataFrame(self.problems, schema=PROBLEM_SCHEMA, orient="row").sort("line")
        skipped = pl.DataFrame(self.skipped, schema=SKIPPED_SCHEMA, orient="row").sort("line")
        return Table(cells, problems, skipped, n_lines)

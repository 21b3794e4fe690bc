"""Lines of ten million columns, lines without an end, hosts of empty fields, and quotes in quotes."""

from __future__ import annotations

import io
import subprocess
import sys
import time

import pytest
from polars.testing import assert_frame_equal

from pipeline.reading.lines import (
    Dialect,
    line_texts,
    line_texts_of,
    read_head,
    read_table,
    read_table_in_blocks,
)
from pipeline.reading.split import LONGEST, count_lines_of
from pipeline.reading.table import MAX_FIELDS, MAX_LINE, Table
from tests.fuzz.exports import ROOT
from tests.fuzz.law import physical_lines

HEADER = ["name", "time", "value"]
TOP = b"name;time;value\n"


def read(data: bytes, dialect: Dialect) -> Table:
    """A table that all ways of reading agree on."""
    ways = [read_table(data, dialect, 1, HEADER, way) for way in ("auto", "fast", "slow")]  # type: ignore[arg-type]
    if not dialect.multiline:
        (part,) = read_table_in_blocks(io.BytesIO(data), dialect, 1, HEADER)
        ways.append(part)
    for other in ways[1:]:
        assert_frame_equal(ways[0].cells, other.cells)
        assert_frame_equal(ways[0].problems, other.problems)
        assert_frame_equal(ways[0].skipped, other.skipped)
    return ways[0]


@pytest.mark.parametrize("encoding", ["utf-8", "cp1252"])
@pytest.mark.parametrize("multiline", [False, True])
def test_a_line_of_ten_million_columns_is_held_alone(encoding: str, multiline: bool) -> None:
    data = TOP + b"a;1;2\n" + b"a;" * 10_000_000 + b"\nb;1;2\n"
    start = time.process_time()
    table = read(data, Dialect(encoding, ";", multiline))
    assert table.cells["line"].to_list() == [2, 4]
    assert table.problems.select("line", "code").rows() == [(3, "line_too_long")]
    assert table.problems["expected"].to_list() == ["at most 1,000,000 signs on a line"]
    assert len(table.problems["seen"][0]) <= 80
    assert time.process_time() - start < 60


def test_the_longest_line_counts_signs_not_bytes() -> None:
    for sign in ("a", "ä", "€", "\U0001f600"):
        for encoding in ("utf-8", "cp1252", "utf-16"):
            whole, longer = f"{sign * (MAX_LINE - 4)};1;2", f"{sign * (MAX_LINE - 3)};1;2"
            text = f"name;time;value\n{whole}\n{longer}\nc;1;2\n"
            try:
                data = text.encode(encoding)
            except UnicodeEncodeError:
                continue
            dialect = Dialect(encoding, ";")
            ways = [read_table(data, dialect, 1, HEADER, way) for way in ("fast", "slow")]  # type: ignore[arg-type]
            for table in ways:
                assert table.cells["line"].to_list() == [2, 4], (sign, encoding)
                assert table.problems.select("line", "code").rows() == [(3, "line_too_long")]


def test_hosts_of_empty_fields_cost_nothing() -> None:
    start = time.process_time()
    table = read(TOP + (b"a;1;2" + b";" * 100_000 + b"\n") * 5, Dialect(delimiter=";"))
    assert table.cells.rows() == [(line, "a", "1", "2") for line in range(2, 7)]
    assert time.process_time() - start < 60


def test_a_header_row_of_too_many_fields_is_none() -> None:
    fields = b";".join([b"x"] * MAX_FIELDS)
    heads = read_head(
        fields + b"\n" + fields + b";x\n" + b"y" * (LONGEST + 1) + b"\n", Dialect(delimiter=";")
    )
    assert [head.fields is not None for head in heads] == [True, False, False]
    assert heads[2].text.endswith(f"... ({LONGEST + 1:,} bytes)")


def test_quotes_in_quotes_cost_no_more_than_their_bytes() -> None:
    start = time.process_time()
    for line in (b'"' * 200_000, b'";' * 100_000, b'"a""' * 50_000, b'""";"' * 40_000):
        for multiline in (False, True):
            table = read(TOP + line + b"\nc;1;2\n", Dialect(delimiter=";", multiline=multiline))
            assert [*table.cells["line"]][-1:] == [3] or multiline
            lines = [*table.cells["line"], *table.problems["line"], *table.skipped["line"]]
            assert sorted(lines) == [2, 3]
    assert time.process_time() - start < 60


def test_the_text_of_lines_is_the_same_part_by_part() -> None:
    data = b"\xef\xbb\xbfa\r\n" + b"x" * (LONGEST + 5) + b"\n\xff\xc3\xa4\nlast"
    wanted = [1, 2, 3, 4, 9]
    texts = line_texts(data, "utf-8", wanted)
    assert texts == line_texts_of(io.BytesIO(data), "utf-8", wanted)
    assert texts[1] == "a" and texts[3] == "\\xffä" and texts[4] == "last"
    assert texts[2].startswith("xxx") and len(texts[2]) < 2_000


@pytest.mark.parametrize(
    "data",
    [
        *(
            b"",
            b"a",
            b"a\n",
            b"a\n\nb",
            b"a\rb\r",
            b"a\rb\n",
            b"\r",
            b"a\r\nb",
            b"\xef\xbb\xbf",
            b"\xef\xbb\xbfa",
        ),
        *("a\nb\n".encode("utf-16"), "a\rb".encode("utf-16"), b"\xff\xfea", b"\xff\xfe"),
    ],
)
def test_lines_are_counted_part_by_part_as_in_one(data: bytes) -> None:
    encoding = "utf-16" if data[:2] == b"\xff\xfe" else "utf-8"
    assert count_lines_of(io.BytesIO(data)) == physical_lines(data, encoding)


def test_a_long_line_between_others_costs_little_memory() -> None:
    """As with 2 GB (`python -m tests.hostile`), with less of it."""
    ended = subprocess.run(
        [sys.executable, "-m", "tests.hostile", "--megabytes", "40"],
        cwd=ROOT, capture_output=True, text=True, check=False,
    )  # fmt: skip
    assert ended.returncode == 0, ended.stdout + ended.stderr
    assert "40 MB of b'x,' between others: {'loaded': 2, 'held': 1}" in ended.stdout
    assert "['line_too_long', 'line_too_long', 'line_too_long', 'no_layout', 'no_layout']" in ended.stdout

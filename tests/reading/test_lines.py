"""The line reader: every rule of the fine print by example, its law of lines, and fast = slow."""

from __future__ import annotations

import csv
import io
from unittest.mock import patch

import polars as pl
import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st
from polars.testing import assert_frame_equal

from pipeline.reading import split
from pipeline.reading.lines import (
    Dialect,
    Table,
    UndecodableFile,
    count_lines,
    line_texts,
    read_head,
    read_table,
)
from pipeline.reading.table import WHITESPACE, trimmed

ENCODINGS = ["utf-8", "utf-16", "cp1252", "latin-1"]
HEADER = ["name", "time", "value"]


def test_polars_strips_unicodes_white_space() -> None:
    signs = [chr(code) for code in range(0x110000) if not 0xD800 <= code < 0xE000]
    frame = pl.DataFrame({"text": signs}).with_columns(left=trimmed(pl.col("text")))
    assert set(frame.filter(pl.col("left") == "")["text"]) == set(WHITESPACE)


def read(text: str | bytes, dialect: Dialect | None = None, header: list[str] = HEADER) -> Table:
    """A table under the header in line 1, both paths compared."""
    data = text.encode() if isinstance(text, str) else text
    dialect = dialect or Dialect(delimiter=";")
    fast, slow = (read_table(data, dialect, 1, header, path) for path in ("fast", "slow"))
    assert_same(fast, slow)
    return fast


def assert_same(a: Table, b: Table) -> None:
    assert_frame_equal(a.cells, b.cells)
    assert_frame_equal(a.problems, b.problems)
    assert_frame_equal(a.skipped, b.skipped)
    assert a.n_lines == b.n_lines


def assert_accounts_for_every_line(table: Table, header_line: int) -> None:
    lines = pl.concat([table.cells["line"], table.problems["line"], table.skipped["line"]]).sort()
    assert lines.to_list() == list(range(header_line + 1, table.n_lines + 1))
    for frame in (table.cells, table.problems, table.skipped):
        assert frame["line"].is_sorted()
        assert sum(frame.null_count().row(0)) == 0


def problems(table: Table) -> list[tuple[int, str]]:
    return table.problems.select("line", "code").rows()


def skipped(table: Table) -> list[tuple[int, str]]:
    return table.skipped.rows()


def test_cells_are_untrimmed_text_and_empty_cells_are_empty_text() -> None:
    table = read("name;time;value\n Ana ;1,5; \n;;\r\n\0;x;\n")
    assert table.cells.rows() == [(2, " Ana ", "1,5", " "), (3, "", "", ""), (4, "\0", "x", "")]
    assert table.cells.schema == {"line": pl.Int32, "c0": pl.String, "c1": pl.String, "c2": pl.String}
    assert table.n_lines == 4


def test_line_ends() -> None:
    assert read("h;i\na;b\r\nc;d", header=["h", "i"]).cells.rows() == [(2, "a", "b"), (3, "c", "d")]
    assert read("h;i\ra;b\rc;d\r", header=["h", "i"]).cells.rows() == [(2, "a", "b"), (3, "c", "d")]
    assert read("h;i\n\na;b\r", header=["h", "i"]).cells.rows() == [(3, "a", "b\r")]
    # with an LF in the file a lone CR is text
    assert read("h;i\na;b\rc\r\nd;e\r", header=["h", "i"]).cells.rows() == [(2, "a", "b\rc"), (3, "d", "e\r")]


@pytest.mark.parametrize(
    ("data", "lines"),
    [
        (b"", 0),
        (b"\n", 1),
        (b"a", 1),
        (b"a\n", 1),
        (b"a\n\n", 2),
        (b"a\r\nb", 2),
        (b"a\rb\r", 2),
        (b"\xef\xbb\xbf", 0),
    ],
)
def test_count_lines(data: bytes, lines: int) -> None:
    assert count_lines(data, "utf-8") == lines
    assert len(read_head(data, Dialect())) == lines


def test_byte_order_mark_is_dropped() -> None:
    head = read_head(b"\xef\xbb\xbfname;time\n", Dialect(delimiter=";"))
    assert head[0].fields == ["name", "time"]
    for text in ("name;time\nä;1\n".encode("utf-16"), "name;time\nä;1\n".encode("utf-16-le")):
        assert read(text, Dialect("utf-16", ";"), ["name", "time"]).cells.rows() == [(2, "ä", "1")]


@pytest.mark.mode(10)
def test_a_line_that_does_not_decode_is_a_problem_alone() -> None:
    table = read(b"name;time;value\n\xc3\xa4;1;2\nM\xe4x;3;4\nc;5;6\n")
    assert problems(table) == [(3, "bad_bytes")]
    assert table.problems["seen"][0] == r"M\xe4x;3;4"
    assert table.cells["c0"].to_list() == ["ä", "c"]
    table = read(b"name;time;value\n\xe4;1;2\n\x81;3;4\n", Dialect("cp1252", ";"))
    assert problems(table) == [(3, "bad_bytes")]
    assert table.cells["c0"].to_list() == ["ä"]
    assert read(b"name;time;value\n\x81;3;4\n", Dialect("latin-1", ";")).problems.is_empty()


@pytest.mark.parametrize("data", [b"\xff\xfea", b"a\n\x00", "\ud800".encode("utf-16-le", "surrogatepass")])
def test_utf16_that_cannot_be_split(data: bytes) -> None:
    with pytest.raises(UndecodableFile):
        read_table(data, Dialect("utf-16"), 1, HEADER)
    with pytest.raises(UndecodableFile):
        count_lines(data, "utf-16")


def test_quotes() -> None:
    table = read('name;time;value\n"a;""b""";1;2\n5\'11";5"6;" "\n"open;1;2\n"b"x;1;2\nc;1;"\n"";;""\n')
    assert table.cells.rows() == [(2, 'a;"b"', "1", "2"), (3, "5'11\"", '5"6', " "), (7, "", "", "")]
    assert problems(table) == [(4, "open_quote"), (5, "bad_quotes"), (6, "open_quote")]


def test_widths() -> None:
    table = read("name;time;value\na;1\nb;1;2;;\nc;1;2; ;3\nd;1;2\n")
    assert table.cells.rows() == [(3, "b", "1", "2"), (5, "d", "1", "2")]
    assert problems(table) == [(2, "too_few_fields"), (4, "too_many_fields")]
    assert table.problems["expected"].to_list() == ["3 fields, as in the header"] * 2


def test_empty_names_at_the_headers_end_are_no_columns() -> None:
    table = read("name;time;;\na;1;;\nb;2\nc;3;4;\nd;5;;\n", header=["name", "time", "", ""])
    assert table.cells.rows() == [(2, "a", "1", "", ""), (3, "b", "2", "", ""), (5, "d", "5", "", "")]
    assert problems(table) == [(4, "too_many_fields")]
    with pytest.raises(ValueError, match="no names"):
        read_table(b";;\n", Dialect(delimiter=";"), 1, ["", " "])


def test_skipped_lines() -> None:
    dialect = Dialect(delimiter=";", comment="#", trailer=("Total", "Mean"))
    text = 'name;time;value\n\n \t\n;;\n# no "row\nTotal: 3\n"Mean";1;2\n name ;time;value;\na;name;time\n'
    table = read(text, dialect)
    assert skipped(table) == [
        (2, "blank"), (3, "blank"), (5, "comment"), (6, "trailer"), (7, "trailer"), (8, "header"),
    ]  # fmt: skip
    assert table.cells["line"].to_list() == [4, 9]
    assert_accounts_for_every_line(table, 1)
    table = read("name;time\na;b\n# ;x\n#;x\n", Dialect(delimiter=";", comment="# ;"), ["name", "time"])
    assert skipped(table) == [(3, "comment")]


def test_blank_lines_of_a_table_of_one_column() -> None:
    table = read("name\na\n\n \n  b\n\x1c\nname \n", header=["name"])
    assert table.cells.rows() == [(2, "a"), (5, "  b"), (6, "\x1c")]
    assert skipped(table) == [(3, "blank"), (4, "blank"), (7, "header")]


def test_blank_as_delimiter() -> None:
    table = read("a b\n1 2\n 2\n \n\n\t\n", Dialect(delimiter=" "), ["a", "b"])
    assert table.cells.rows() == [(2, "1", "2"), (3, "", "2"), (4, "", "")]
    assert skipped(table) == [(5, "blank"), (6, "blank")]


def test_fields_over_several_lines() -> None:
    text = 'name;time;value\n"a\nb\r\n c";1;2\nd;1;2\n"e;1;2\nf;1;"2\ng;1;2"\nh;1;2\n'
    table = read(text, Dialect(delimiter=";", multiline=True))
    assert table.cells.rows() == [
        (2, "a\nb\n c", "1", "2"), (5, "d", "1", "2"), (7, "f", "1", "2\ng;1;2"), (9, "h", "1", "2"),
    ]  # fmt: skip
    # a stray quote costs its own line only: joined with others it would be no row
    assert problems(table) == [(6, "open_quote")]
    assert skipped(table) == [(3, "continuation"), (4, "continuation"), (8, "continuation")]
    assert problems(read(text))[:2] == [(2, "open_quote"), (3, "too_few_fields")]


def test_header_over_several_lines() -> None:
    data = b'Hall 1\n"time\n(s)";name\n1;a\n'
    dialect = Dialect(delimiter=";", multiline=True)
    head = read_head(data, dialect)
    assert [line.fields for line in head] == [["Hall 1"], ["time\n(s)", "name"], None, ["1", "a"]]
    table = read_table(data, dialect, 2, ["time\n(s)", "name"])
    assert table.cells.rows() == [(4, "1", "a")]
    assert skipped(table) == [(3, "continuation")]


def test_head_reads_no_more_than_asked() -> None:
    head = read_head(b'Wind: 0.4\n\xe4\n"open\nname;time\nrest', Dialect(delimiter=";"), limit=4)
    assert [(line.line, line.text, line.fields) for line in head] == [
        (1, "Wind: 0.4", ["Wind: 0.4"]),
        (2, r"\xe4", None),
        (3, '"open', None),
        (4, "name;time", ["name", "time"]),
    ]


def test_line_texts() -> None:
    data = b"\xef\xbb\xbfa\r\n\xe4;\xc3\xa4\nc"
    assert line_texts(data, "utf-8", [1, 2, 3, 9]) == {1: "a", 2: "\\xe4;ä", 3: "c"}
    assert line_texts("a\nä\n".encode("utf-16"), "utf-16", {2}) == {2: "ä"}


def test_delimiters_that_cannot_be() -> None:
    for delimiter in ("", ";;", '"', "\n"):
        with pytest.raises(ValueError, match="delimiter"):
            Dialect(delimiter=delimiter)


PLAIN = ["a", "1.5", "1;2;\n", "x;y\n", "x,y\n", "name;time", "name", "Total", "#", "'", "=", ";", ",", "|"]
ODD = [
    '"',
    '""',
    '";"',
    "\n",
    "\r\n",
    "\r",
    " ",
    "\t",
    "\0",
    "\x1c",
    "\x81",
    "\x85",
    "\u2028",
    "\ufeff",
    "ä",
    "€",
    "ï",
]
pieces = st.sampled_from(PLAIN + ODD)
dialects = st.builds(
    Dialect,
    encoding=st.sampled_from(ENCODINGS),
    delimiter=st.sampled_from([",", ";", "\t", "|", " ", "¦"]),
    multiline=st.booleans(),
    comment=st.sampled_from([None, "#", "# ;", ";", "na"]),
    trailer=st.sampled_from([(), ("Total", "x")]),
)
headers = st.sampled_from([["name"], ["name", "time"], ["name", " time", "", " "], ["", "b"]])
odd_bytes = st.binary(max_size=60) | st.lists(pieces, max_size=40).flatmap(
    lambda texts: st.sampled_from(ENCODINGS).map(lambda encoding: "".join(texts).encode(encoding, "ignore"))
)


@settings(max_examples=400, deadline=None)
@given(odd_bytes, dialects, headers, st.integers(1, 3), st.integers(1, 50))
@example(b"name\n\xef\xbb\xbfa\n", Dialect(), ["name"], 1, 1)
def test_paths_are_equal_and_account_for_every_line_of_any_bytes(
    data: bytes, dialect: Dialect, header: list[str], header_line: int, chunk_bytes: int
) -> None:
    try:
        n_lines = count_lines(data, dialect.encoding)
    except UndecodableFile:
        return
    slow = read_table(data, dialect, header_line, header, "slow")
    with patch.object(split, "CHUNK_BYTES", chunk_bytes):
        fast = read_table(data, dialect, header_line, header, "fast")
    assert_same(fast, slow)
    assert slow.n_lines == n_lines == len(read_head(data, dialect, 10_000))
    assert_accounts_for_every_line(slow, min(header_line, n_lines))


@st.composite
def damaged_exports(draw: st.DrawFn) -> tuple[bytes, Dialect]:
    """An export as a device writes it, with a few characters or bytes put in, taken out or doubled."""
    dialect = draw(dialects)
    end = draw(st.sampled_from(["\n", "\r\n", "\r"]))
    rows = [["name", "time"], *([f"Runner {i}", f"{i}.{i:02d}"] for i in range(draw(st.integers(0, 30))))]
    text = end.join(dialect.delimiter.join(row) for row in rows) + draw(st.sampled_from(["", end]))
    for _ in range(draw(st.integers(0, 4))):
        at = draw(st.integers(0, len(text)))
        text = text[:at] + draw(pieces) + text[at + draw(st.integers(0, 2)) :]
    data = text.encode(dialect.encoding, "replace")
    if draw(st.booleans()) and dialect.encoding != "utf-16":
        at = draw(st.integers(0, len(data)))
        data = data[:at] + draw(st.binary(max_size=2)) + data[at:]
    return data, dialect


@settings(max_examples=300, deadline=None)
@given(damaged_exports(), st.integers(1, 400))
def test_paths_are_equal_on_damaged_exports(export: tuple[bytes, Dialect], chunk_bytes: int) -> None:
    data, dialect = export
    slow = read_table(data, dialect, 1, ["name", "time"], "slow")
    with patch.object(split, "CHUNK_BYTES", chunk_bytes):
        assert_same(read_table(data, dialect, 1, ["name", "time"], "fast"), slow)
    assert_accounts_for_every_line(slow, 1)


cells = st.text(st.characters(codec="cp1252", exclude_characters="\r\n\0"), max_size=6)


@settings(max_examples=100, deadline=None)
@given(
    st.lists(st.tuples(cells, cells, cells), max_size=20),
    st.sampled_from(["utf-8", "utf-8-sig", "utf-16", "cp1252"]),
    st.sampled_from([",", ";", "\t", "|"]),
    st.sampled_from(["\n", "\r\n"]),
    st.sampled_from([csv.QUOTE_ALL, csv.QUOTE_MINIMAL]),
)
def test_what_the_csv_module_writes_reads_back(
    rows: list[tuple[str, ...]], encoding: str, delimiter: str, end: str, quoting: int
) -> None:
    buffer = io.StringIO()
    writer = csv.writer(buffer, delimiter=delimiter, lineterminator=end, quoting=quoting)  # type: ignore[arg-type]
    writer.writerows([HEADER, *rows])
    dialect = Dialect(encoding.removesuffix("-sig"), delimiter)
    table = read(buffer.getvalue().encode(encoding), dialect)
    expected = [(i, *row) for i, row in enumerate(rows, start=2) if [cell.strip() for cell in row] != HEADER]
    assert table.cells.rows() == expected
    assert table.problems.is_empty()

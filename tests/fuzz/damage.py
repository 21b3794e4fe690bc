"""The ways in which an export is damaged: cells, lines, columns, the file as a whole, and single bytes."""

from __future__ import annotations

import codecs
from collections.abc import Callable
from dataclasses import dataclass
from random import Random

from tests.fuzz.exports import Sample, window, workbook_of

# What may stand in a cell of a real export, and what nobody thought of.
CELLS = (
    *("", " ", "\t", "-", "n/a", "NULL", "None", "0"),
    *("-0", "00012", "1", "-1", "+1", "1.", ".5", ",5", "5,"),
    *("nan", "NaN", "inf", "-inf", "Infinity", "1e400"),
    *("-1e400", "1e-400", "1e5", "1E+05", "0x1F", "1_000"),
    *("1.000,5", "1,000.5", "1 000", "1\u00a0000", "1'000", "1\u202f000", "12,34,56", "1..2", "--5", "5-"),
    *("99999999999999999999999999", "2147483648"),
    *("-2147483649", "9223372036854775808", "0.1" + "0" * 400 + "1"),
    *("1.5 m", "150cm", "5'11\"", '"', '""', '"""', '";"'),
    *("'", "\u2212" "1.5", "\uff11\uff12", "١٢٣", "१२३", "½", "²"),
    *("=1+1", "+1+1", "-1+1", "@SUM(A1)", "\t=1", "\r=1", '=HYPERLINK("x")', "=cmd|' /C calc'!A0"),
    *("<script>alert(1)</script>", "<b>", "&amp;", "&#x41;"),
    *("'; DROP TABLE files; --", "${x}", "%s%n", "{0}"),
    *("../../etc/passwd", "/etc/passwd", "C:\\CON", "a/b", "file:///x", "\\\\host\\x", "*.csv", "~"),
    *("\u200b", "\u200e", "\u202eabc", "\ufeff", "\u00ad"),
    *("\u2028", "\x85", "\x1c", "\x0b", "\x00", "\x7f"),
    *("\U0001f600", "e\u0301", "\u00e9", "İ", "ß", "ﬁ", "Å", "\ud7ff", "\U0010ffff"),
    *("2025-02-30", "2025-13-01", "30/02/2025", "31.04.2025", "00.00.0000", "0000-00-00", "9999-12-31"),
    *("2025-03-30 01:30:00", "2025-10-26 01:30:00", "30.03.2025", "26.10.2025", "2025-10-26T01:30:00+0100"),
    *("2099-01-01 10:00:00", "1899-12-31", "1970-01-01 00:00:00"),
    *("24:00:00", "25:61:61", "2025-06-30 23:59:60"),
    *("-1759046424000", "0000000000000", "99999999999999999"),
    *("45931.5", "12:00 PM", "2025-W10-1", "1/2/25"),
    *("kg", "lb", "KG", "mm", "cm", "ft", "stone", "s"),
    *("ms", "m/s", "km/h", "N", "kgf", "lbf", "%", "deg", "µm"),
    *("a1", "a48", "Visitante", "Nobody", "Tomás Penedo"),
    *("TOMAS  PENEDO", "Penedo, Tomás", "NA", "TRUE", "false"),
    *("new", "ok", "drop", "#", "# x", "Total", "Total: 3", "answer", "file_id"),
)  # fmt: skip
BYTES = (
    *(b"\x00", b"\xff", b"\xfe", b"\x80", b"\x81", b"\xc3", b"\xe2\x82", b"\xf0\x9f", b"\xed\xa0\x80"),
    *(b"\xc0\xaf", b"\r", b"\n", b"\r\n", b"\n\r"),
    *(b"\x0c", b"\x1a", b"\x1b[31m", b'"', b'"\n"', b"\xef\xbb\xbf"),
    *(b"\xff\xfe", b"\xfe\xff", b"\x85", b"\xa0", b";", b",", b"\t", b" ", b"=", b"\x7f", b"\x00\x00"),
)  # fmt: skip
MARKS = (codecs.BOM_UTF8, codecs.BOM_UTF16_LE, codecs.BOM_UTF16_BE, b"\xff\xfe\x00\x00", b"\x00\x00\xfe\xff")
ENCODINGS = ("utf-8", "utf-8-sig", "utf-16", "utf-16-le", "utf-16-be", "cp1252", "latin-1", "utf-32", "cp437")


@dataclass
class Draft:
    """An export while it is damaged: its lines, which of them is the header row, and how they are written."""

    lines: list[str]
    header: int
    delimiter: str
    encoding: str
    end: str

    def some_line(self, random: Random) -> int:
        """A line, more often a row than one above the rows."""
        if random.random() < 0.8 and len(self.lines) > self.header + 1:
            return random.randrange(self.header + 1, len(self.lines))
        return random.randrange(len(self.lines)) if self.lines else 0

    def cells(self, at: int) -> list[str]:
        """The cells of a line, quotes and all."""
        return self.lines[at].split(self.delimiter)

    def put(self, at: int, cells: list[str]) -> None:
        """Cells in place of a line."""
        self.lines[at] = self.delimiter.join(cells)


Damage = Callable[[Draft, Random], None]


def _one_cell(draft: Draft, random: Random) -> None:
    at = draft.some_line(random)
    cells = draft.cells(at)
    cells[random.randrange(len(cells))] = random.choice(CELLS)
    draft.put(at, cells)


def _within_a_cell(draft: Draft, random: Random) -> None:
    at = draft.some_line(random)
    cells = draft.cells(at)
    i = random.randrange(len(cells))
    place = random.randint(0, len(cells[i]))
    cells[i] = cells[i][:place] + random.choice(CELLS) + cells[i][place + random.randint(0, 2) :]
    draft.put(at, cells)


def _one_value_everywhere(draft: Draft, random: Random) -> None:
    value, column = random.choice(CELLS), random.randrange(12)
    for at in range(draft.header + 1, len(draft.lines)):
        cells = draft.cells(at)
        if column < len(cells):
            cells[column] = value
            draft.put(at, cells)


def _another_digit(draft: Draft, random: Random) -> None:
    at = draft.some_line(random)
    digits = [i for i, sign in enumerate(draft.lines[at]) if sign.isdigit()]
    for i in random.sample(digits, min(len(digits), random.randint(1, 3))):
        draft.lines[at] = draft.lines[at][:i] + random.choice("0123456789") + draft.lines[at][i + 1 :]


def _decimal_mark(draft: Draft, random: Random) -> None:
    swap = str.maketrans(",.", ".,")
    chosen = range(len(draft.lines)) if random.random() < 0.3 else [draft.some_line(random)]
    for at in chosen:
        cells = draft.cells(at)
        draft.put(
            at, [cell.translate(swap) if draft.delimiter != "," else cell.replace(".", ",") for cell in cells]
        )


def _quoted(draft: Draft, random: Random) -> None:
    chosen = range(len(draft.lines)) if random.random() < 0.3 else [draft.some_line(random)]
    for at in chosen:
        draft.put(at, [f'"{cell}"' for cell in draft.cells(at)])


def _nested_quotes(draft: Draft, random: Random) -> None:
    at = draft.some_line(random)
    cells = draft.cells(at)
    i = random.randrange(len(cells))
    for _ in range(random.randint(1, 6)):
        cells[i] = '"' + cells[i].replace('"', '""') + random.choice(('"', ""))
    draft.put(at, cells)


def _a_break_in_a_cell(draft: Draft, random: Random) -> None:
    at = draft.some_line(random)
    cells = draft.cells(at)
    i = random.randrange(len(cells))
    cells[i] = f'"{cells[i]}{random.choice((chr(10), chr(13), chr(13) + chr(10)))}{random.choice(CELLS)}"'
    draft.put(at, cells)


def _a_long_cell(draft: Draft, random: Random) -> None:
    at = draft.some_line(random)
    cells = draft.cells(at)
    cells[random.randrange(len(cells))] = random.choice(("9", "x", '"', " ", "é", "=")) * random.choice(
        (300, 5_000)
    )
    draft.put(at, cells)


def _cells_more_or_fewer(draft: Draft, random: Random) -> None:
    at = draft.some_line(random)
    cells = draft.cells(at)
    if random.random() < 0.5:
        cells.insert(random.randint(0, len(cells)), random.choice(CELLS))
    elif len(cells) > 1:
        cells.pop(random.randrange(len(cells)))
    if random.random() < 0.2:
        cells += [""] * random.choice((1, 3, 500))
    draft.put(at, cells)


def _cells_change_places(draft: Draft, random: Random) -> None:
    at = draft.some_line(random)
    cells = draft.cells(at)
    random.shuffle(cells)
    draft.put(at, cells)


def _line_goes(draft: Draft, random: Random) -> None:
    at = draft.some_line(random)
    draft.lines[at : at + random.randint(1, 3)] = []


def _line_twice(draft: Draft, random: Random) -> None:
    at = draft.some_line(random)
    draft.lines.insert(draft.some_line(random), draft.lines[at])


def _line_twice_with_another_cell(draft: Draft, random: Random) -> None:
    at = draft.some_line(random)
    draft.lines.insert(at, draft.lines[at])
    _another_digit(draft, random)


def _lines_change_places(draft: Draft, random: Random) -> None:
    rows = draft.lines[draft.header + 1 :]
    random.shuffle(rows)
    draft.lines[draft.header + 1 :] = rows


def _a_line_between(draft: Draft, random: Random) -> None:
    odd = ("", " ", "\t", draft.delimiter * 5, "# remark", "Total", "Total,3", "-----", "sep=;", *CELLS)
    draft.lines.insert(random.randint(0, len(draft.lines)), random.choice(odd))


def _header_again(draft: Draft, random: Random) -> None:
    header = draft.lines[draft.header]
    draft.lines.insert(
        random.randint(0, len(draft.lines)), random.choice((header, header.upper(), f" {header} "))
    )


def _header_damaged(draft: Draft, random: Random) -> None:
    cells = draft.cells(draft.header)
    i = random.randrange(len(cells))
    how = random.randrange(6)
    if how == 0:
        cells[i] = random.choice(CELLS)
    elif how == 1:
        cells[i] = random.choice(cells)
    elif how == 2:
        cells[i] = f" {cells[i]}\u00a0"
    elif how == 3:
        cells[i] = cells[i].upper()
    elif how == 4:
        cells += ["", "", random.choice(("", "x"))]
    else:
        cells[i] = f'"{cells[i]}"'
    draft.put(draft.header, cells)


def _column_changes(draft: Draft, random: Random) -> None:
    """A column goes, comes twice, or changes places, in the header row and below it."""
    how, one, two = random.randrange(3), random.randrange(12), random.randrange(12)
    for at in range(draft.header, len(draft.lines)):
        cells = draft.cells(at)
        if max(one, two) < len(cells):
            if how == 0:
                cells.pop(one)
            elif how == 1:
                cells.insert(two, cells[one])
            else:
                cells[one], cells[two] = cells[two], cells[one]
            draft.put(at, cells)


def _above_the_rows(draft: Draft, random: Random) -> None:
    how = random.randrange(3)
    if how == 0:
        draft.lines[: draft.header] = []
    elif how == 1:
        draft.lines[:0] = ["x"] * random.choice((1, 198, 199, 200, 201))
    else:
        draft.lines[:0] = draft.lines[: draft.header + 1]


def _another_delimiter(draft: Draft, random: Random) -> None:
    other = random.choice((",", ";", "\t", "|", " ", ":", "\x1f"))
    chosen = range(len(draft.lines)) if random.random() < 0.7 else [draft.some_line(random)]
    for at in chosen:
        draft.lines[at] = draft.lines[at].replace(draft.delimiter, other)


def _another_end(draft: Draft, random: Random) -> None:
    draft.end = random.choice(("\r", "\n", "\r\n", "\n\r", "\r\r\n", "\x85", "\u2028", "\x0b", "\n\n"))


def _mixed_ends(draft: Draft, random: Random) -> None:
    joined = [line + random.choice(("\n", "\r\n", "\r")) for line in draft.lines]
    draft.lines, draft.end = ["".join(joined)], ""


def _another_encoding(draft: Draft, random: Random) -> None:
    draft.encoding = random.choice(ENCODINGS)


def _nothing_left(draft: Draft, random: Random) -> None:
    draft.lines = random.choice(
        ([], [""], [" "], ["", "", ""], draft.lines[: draft.header + 1], ["\x00" * 50])
    )


def _much_more(draft: Draft, random: Random) -> None:
    draft.lines += draft.lines[draft.header + 1 :] * random.choice((1, 3, 20))


ON_LINES: tuple[Damage, ...] = (
    *(_one_cell,) * 6,
    *(_within_a_cell,) * 4,
    *(_another_digit,) * 4,
    _one_value_everywhere,
    _decimal_mark,
    _quoted,
    _nested_quotes,
    _a_break_in_a_cell,
    _a_long_cell,
    *(_cells_more_or_fewer,) * 2,
    _cells_change_places,
    _line_goes,
    *(_line_twice,) * 2,
    *(_line_twice_with_another_cell,) * 2,
    _lines_change_places,
    *(_a_line_between,) * 2,
    _header_again,
    _header_damaged,
    _column_changes,
    _above_the_rows,
    _another_delimiter,
    _another_end,
    _mixed_ends,
    _another_encoding,
    _nothing_left,
    _much_more,
)


def _cut_off(data: bytes, random: Random) -> bytes:
    return data[: random.randint(0, len(data))]


def _bytes_in(data: bytes, random: Random) -> bytes:
    at = random.randint(0, len(data))
    return data[:at] + random.choice(BYTES) * random.choice((1, 1, 1, 2, 50)) + data[at:]


def _bytes_out(data: bytes, random: Random) -> bytes:
    at = random.randint(0, len(data))
    return data[:at] + data[at + random.randint(1, 20) :]


def _bytes_turned(data: bytes, random: Random) -> bytes:
    turned = bytearray(data)
    for _ in range(min(len(turned), random.choice((1, 1, 2, 5, 40)))):
        turned[random.randrange(len(turned))] = random.randrange(256)
    return bytes(turned)


def _bytes_again(data: bytes, random: Random) -> bytes:
    start = random.randint(0, len(data))
    part = data[start : start + random.randint(1, 300)]
    at = random.randint(0, len(data))
    return data[:at] + part * random.choice((1, 2)) + data[at:]


def _mark_before(data: bytes, random: Random) -> bytes:
    return random.choice(MARKS) + data


def _zeros(data: bytes, random: Random) -> bytes:
    at = random.randint(0, len(data))
    return data[:at] + bytes(random.choice((1, 10, 512))) + data[at + random.choice((0, 1, 512)) :]


ON_BYTES: tuple[Callable[[bytes, Random], bytes], ...] = (
    _cut_off,
    _bytes_in,
    _bytes_in,
    _bytes_out,
    _bytes_turned,
    _bytes_again,
    _mark_before,
    _zeros,
)


def damaged(sample: Sample, random: Random) -> bytes:
    """A short export made from a sample, damaged in one to four ways."""
    part = window(sample, random)
    draft = Draft([*part.top, *part.rows], len(part.top) - 1, part.delimiter, part.encoding, part.end)
    on_bytes = random.random() < 0.3
    for _ in range(random.choice((0, 1) if on_bytes else (1, 1, 2, 3))):
        # One that took the header row, or all lines, away leaves nothing for the next to hold on to.
        if len(draft.lines) <= draft.header:
            break
        random.choice(ON_LINES)(draft, random)
    if sample.is_workbook:
        data = workbook_of(draft.lines, draft.delimiter, random)
    else:
        text = draft.end.join(draft.lines) + random.choice((draft.end, draft.end, draft.end, ""))
        data = text.encode(draft.encoding, random.choice(("replace", "ignore", "xmlcharrefreplace")))
    if on_bytes:
        for _ in range(random.choice((1, 1, 2))):
            data = random.choice(ON_BYTES)(data, random)
    return data

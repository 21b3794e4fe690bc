"""Workbooks that unpack to more than a computer has, that reach too far, or that are no workbooks."""

from __future__ import annotations

import hashlib
import io
import zipfile
from collections.abc import Callable
from pathlib import Path

import pytest
import xlsxwriter

from pipeline.reading import workbook_limits
from pipeline.reading.workbook import UnreadableWorkbook, read_sheet, sheet_names
from tests.intake.facility_maker import Hall

Change = Callable[[str, bytes], bytes]


def book(*cells: tuple[int, int, object]) -> bytes:
    out = io.BytesIO()
    with xlsxwriter.Workbook(out) as made:
        sheet = made.add_worksheet()
        for row, column, value in cells:
            sheet.write(row, column, value)
    return out.getvalue()


def package(parts: dict[str, bytes]) -> bytes:
    out = io.BytesIO()
    with zipfile.ZipFile(out, "w", zipfile.ZIP_DEFLATED) as made:
        for name, data in parts.items():
            made.writestr(name, data)
    return out.getvalue()


def changed(data: bytes, change: Change) -> bytes:
    with zipfile.ZipFile(io.BytesIO(data)) as old:
        return package({name: change(name, old.read(name)) for name in old.namelist()})


def in_sheet(old: bytes, new: bytes) -> Change:
    return lambda name, data: data.replace(old, new, 1) if name.endswith("sheet1.xml") else data


SMALL = book((0, 0, "a"), (1, 0, 1))
ENTITIES = b"".join(b'<!ENTITY l%d "%s">' % (i, (b"&l%d;" % (i - 1)) * 10) for i in range(1, 10))
DOCTYPE = b'<!DOCTYPE x [<!ENTITY l0 "lol">' + ENTITIES + b"]>"
FULL_ROW = b"<row>" + b"<c><v>1</v></c>" * 200 + b"</row>"
HOSTILE = {
    "a cell at the far end": (book((0, 0, "a"), (1_048_575, 16_383, "b")), "more than 10,000,000 cells"),
    "cells without places": (
        changed(SMALL, in_sheet(b"</sheetData>", b"<row/>" * 70_000 + FULL_ROW + b"</sheetData>")),
        "more than 10,000,000 cells",
    ),
    "a place beyond all sheets": (changed(SMALL, in_sheet(b'r="A2"', b'r="ZZZZZZ999999999"')), "cells"),
    "entities of entities": (
        changed(SMALL, lambda name, data: data.replace(b"?>", b"?>" + DOCTYPE, 1)),
        "declares entities of its own",
    ),
    "elements in elements": (
        changed(SMALL, in_sheet(b"<sheetData>", b"<x>" * 5_000 + b"</x>" * 5_000 + b"<sheetData>")),
        "nested more than 100 deep",
    ),
    "broken XML": (changed(SMALL, in_sheet(b"<sheetData>", b"<sheetData><")), "cannot be read"),
    "many parts": (
        package({**dict.fromkeys([f"xl/{i}" for i in range(6_000)], b""), "xl/workbook.xml": b"<workbook/>"}),
        "it has 6,001 parts",
    ),
    "cut off": (SMALL[: len(SMALL) // 2], "cannot be read"),
    "only a name": (b"Name,Day\n", "it is no workbook"),
    "a package of something else": (package({"word/document.xml": b"<w/>"}), "cannot be read"),
    "no old workbook": (b"\xd0\xcf\x11\xe0\xa1\xb1\x1a\xe1" + bytes(4_000), "cannot be read"),
}  # fmt: skip


@pytest.mark.parametrize("kind", HOSTILE)
def test_a_hostile_workbook_is_refused_in_words(kind: str) -> None:
    data, said = HOSTILE[kind]
    assert len(data) < 1_500_000
    for read in (read_sheet, sheet_names):
        with pytest.raises(UnreadableWorkbook, match=said):
            read(data)


def test_what_a_workbook_unpacks_to_is_limited(monkeypatch: pytest.MonkeyPatch) -> None:
    bomb = changed(SMALL, in_sheet(b"<sheetData>", b" " * 3_000_000 + b"<sheetData>"))
    assert len(bomb) < 20_000
    assert read_sheet(bomb) == [["a"], ["1"]]
    monkeypatch.setattr(workbook_limits, "MAX_INFLATED", 2_000_000)
    with pytest.raises(UnreadableWorkbook, match="unpacks to more than 2 MB"):
        read_sheet(bomb)


def test_a_part_that_lies_about_its_size_is_broken() -> None:
    """The size in the package's list is made smaller than what the part unpacks to."""
    bomb = bytearray(changed(SMALL, in_sheet(b"<sheetData>", b" " * 3_000_000 + b"<sheetData>")))
    with zipfile.ZipFile(io.BytesIO(bomb)) as old:
        size = old.getinfo("xl/worksheets/sheet1.xml").file_size
    at = bomb.find(size.to_bytes(4, "little"), bomb.find(b"PK\x01\x02"))
    bomb[at : at + 4] = (500).to_bytes(4, "little")
    with pytest.raises(UnreadableWorkbook, match="cannot be read"):
        read_sheet(bytes(bomb))


def test_a_workbook_of_too_many_bytes_is_not_opened(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(workbook_limits, "MAX_WORKBOOK", 1_000)
    with pytest.raises(UnreadableWorkbook, match="save the sheet as CSV"):
        read_sheet(SMALL)


def open_document(rows: bytes) -> bytes:
    names = (
        b'xmlns:office="urn:oasis:names:tc:opendocument:xmlns:office:1.0" '
        b'xmlns:table="urn:oasis:names:tc:opendocument:xmlns:table:1.0" '
        b'xmlns:text="urn:oasis:names:tc:opendocument:xmlns:text:1.0"'
    )
    content = (
        b"<office:document-content " + names + b"><office:body><office:spreadsheet>"
        b'<table:table table:name="One">' + rows + b"</table:table>"
        b"</office:spreadsheet></office:body></office:document-content>"
    )
    kind = b"application/vnd.oasis.opendocument.spreadsheet"
    manifest = b'<m:manifest xmlns:m="urn:oasis:names:tc:opendocument:xmlns:manifest:1.0"></m:manifest>'
    return package({"mimetype": kind, "META-INF/manifest.xml": manifest, "content.xml": content})


CELL = b'<table:table-cell office:value-type="string"%s><text:p>x</text:p></table:table-cell>'


def test_other_kinds_of_workbook_are_read_apart_with_little_memory(monkeypatch: pytest.MonkeyPatch) -> None:
    small = open_document(b"<table:table-row>" + CELL % b"" * 2 + b"</table:table-row>")
    assert sheet_names(small) == ["One"]
    assert read_sheet(small) == read_sheet(small, "One") == [["x", "x"]]
    with pytest.raises(UnreadableWorkbook, match="no sheet 'Two'; the workbook has: One"):
        read_sheet(small, "Two")
    monkeypatch.setattr(workbook_limits, "_APART_MEMORY", 400_000_000)
    wide = CELL % b' table:number-columns-repeated="16384"'
    far = open_document(
        b'<table:table-row table:number-rows-repeated="1048576">' + wide + b"</table:table-row>"
    )
    with pytest.raises(UnreadableWorkbook, match="cannot be read"):
        read_sheet(far)


def test_refused_workbooks_are_kept_and_the_others_taken_in(tmp_path: Path) -> None:
    hall = Hall(tmp_path)
    far, _ = HOSTILE["a cell at the far end"]
    rows = (("Person", "Day", "What", "Reading", "Unit"), ("Ana Prado", "2025-03-01", "weight", 61.5, "kg"))
    sound = book(*((r, c, value) for r, row in enumerate(rows) for c, value in enumerate(row)))
    hall.take(("scales-1/far.xlsx", far), ("scales-1/sound.xlsx", sound))
    files = dict(hall.table("_drops").select("path", "state").iter_rows())
    assert files == {"scales-1/far.xlsx": "rejected", "scales-1/sound.xlsx": "read"}
    (row,) = hall.table("held_rows").to_dicts()
    assert row["code"] == "unreadable" and "row 1,048,576 and column 16,384" in row["reason"]
    assert "delete what stands far away" in row["reason"]
    assert (tmp_path / "archive" / hashlib.sha256(far).hexdigest()).read_bytes() == far

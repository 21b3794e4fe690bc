"""The text of single lines as they were dropped, from the archive."""

from __future__ import annotations

from collections.abc import Collection

from pipeline.facility.folder import Facility
from pipeline.intake import archive
from pipeline.intake.drops import WHOLE
from pipeline.reading.lines import line_texts, line_texts_of
from pipeline.reading.split import UndecodableFile
from pipeline.reading.workbook import UnreadableWorkbook, is_workbook, read_sheet, sheet_texts


def original_lines(
    facility: Facility, file_id: str, path: str, layout: str | None, lines: Collection[int]
) -> dict[int, str]:
    """The text of these physical lines of a file, by line; empty where it can't be read any more.

    `file_id`: all 64 digits. `layout`: that which read the file, and knows its encoding.
    """
    if not lines or layout is None or layout not in facility.layouts:
        return {}
    file = facility.layouts[layout].file
    try:
        if (facility.archive / file_id).stat().st_size > WHOLE:
            with archive.open_original(facility.archive, file_id) as stream:
                return line_texts_of(stream, file.encoding, lines)
        data = archive.load(facility.archive, file_id)
        if is_workbook(data, path):
            return sheet_texts(read_sheet(data, file.sheet, file.decimal), list(lines))
        return line_texts(data, file.encoding, lines)
    except (OSError, UndecodableFile, UnreadableWorkbook):
        return {}

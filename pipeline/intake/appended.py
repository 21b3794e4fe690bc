"""CSV files that only grow: lines are added, and are on disk before anything is made of them."""

from __future__ import annotations

import csv
import os
import shutil
from collections.abc import Iterable, Sequence
from pathlib import Path

from pipeline.rights import make_private_folder, private


def append_rows(file: Path, header: Sequence[str], rows: Iterable[Sequence[object]]) -> None:
    """Add rows below the header, which is written first where the file is new; on disk on return.

    A last line without a line end is ended first, be it torn or typed by a person. What such files say names
    people: a new one is its owner's alone.
    """
    make_private_folder(file.parent)
    last = _last_byte(file)
    with open(file, "a", encoding="utf-8", newline="", errors="surrogateescape", opener=private) as stream:
        if last not in (b"", b"\n"):
            stream.write("\n")
        writer = csv.writer(stream, lineterminator="\n")
        if not last:
            writer.writerow(header)
        writer.writerows(rows)
        stream.flush()
        os.fsync(stream.fileno())


def rewrite_with_rows(file: Path, header: Sequence[str], rows: Iterable[Sequence[object]]) -> None:
    """As `append_rows`, for a file that people edit too: written anew beside and put in its place, with the
    rights it had, so that a power cut tears no line of it."""
    part = file.with_name(f".{file.name}.part")
    part.unlink(missing_ok=True)
    if file.exists():
        with open(part, "wb", opener=private) as copy:
            copy.write(file.read_bytes())
    append_rows(part, header, rows)
    if file.exists():
        shutil.copymode(file, part)
    part.replace(file)


def _last_byte(file: Path) -> bytes:
    """The last byte of a file; none where it is empty or is not there."""
    if not file.exists():
        return b""
    with file.open("rb") as stream:
        stream.seek(max(0, stream.seek(0, os.SEEK_END) - 1))
        return stream.read()

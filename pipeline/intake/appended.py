"""CSV files that only grow: lines are added, and are on disk before anything is made of them."""

from __future__ import annotations

import csv
import os
from collections.abc import Iterable, Sequence
from pathlib import Path


def append_rows(file: Path, header: Sequence[str], rows: Iterable[Sequence[object]]) -> None:
    """Add rows below the header, which is written first where the file is new; on disk on return.

    A last line without a line end is ended first, be it torn or typed by a person.
    """
    file.parent.mkdir(parents=True, exist_ok=True)
    start = file.read_bytes() if file.exists() else b""
    with file.open("a", encoding="utf-8", newline="", errors="surrogateescape") as stream:
        if start and not start.endswith(b"\n"):
            stream.write("\n")
        writer = csv.writer(stream, lineterminator="\n")
        if not start:
            writer.writerow(header)
        writer.writerows(rows)
        stream.flush()
        os.fsync(stream.fileno())

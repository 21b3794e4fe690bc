"""The archive: every original, byte for byte, named by its SHA-256, and the index of what was dropped."""

from __future__ import annotations

import csv
import hashlib
import os
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path

from pipeline.ids import text_id

HEADER = ("drop_id", "file_id", "path", "received_at", "size")


@dataclass(frozen=True)
class Drop:
    """A file that was dropped: `number` is its place in the index, the first being 1."""

    number: int
    drop_id: str
    file_id: str
    path: str
    received_at: datetime
    size: int


def drop_id_of(path: str, size: int, mtime_ns: int, file_id: str) -> str:
    """Id of a drop: path, size, time and content together."""
    return text_id(f"{path}|{size}|{mtime_ns}|{file_id}")


def store(archive: Path, file: Path) -> tuple[str, int]:
    """Copy a file into the archive under its SHA-256; (that hash, bytes copied).

    The copy is on disk before this returns, and made in one step; a content that is there already is left
    as it is. Reads a part at a time, so that a file of any size fits.
    """
    archive.mkdir(parents=True, exist_ok=True)
    part = archive / f".{os.getpid()}.part"
    digest, size = hashlib.sha256(), 0
    try:
        with file.open("rb") as source, part.open("wb") as copy:
            while block := source.read(1 << 20):
                digest.update(block)
                size += len(block)
                copy.write(block)
            copy.flush()
            os.fsync(copy.fileno())
        target = archive / digest.hexdigest()
        if not target.exists():
            part.replace(target)
    finally:
        part.unlink(missing_ok=True)
    return digest.hexdigest(), size


def load(archive: Path, file_id: str) -> bytes:
    """The original content; OSError where it is gone."""
    return (archive / file_id).read_bytes()


def append_index(archive: Path, drops: list[Drop]) -> None:
    """Add drops to the index, on disk before this returns."""
    if not drops:
        return
    index = archive / "index.csv"
    archive.mkdir(parents=True, exist_ok=True)
    fresh = not index.exists() or index.stat().st_size == 0
    torn = not fresh and not index.read_bytes().endswith(b"\n")
    with index.open("a", encoding="utf-8", newline="", errors="surrogateescape") as stream:
        if torn:
            stream.write("\n")
        writer = csv.writer(stream, lineterminator="\n")
        if fresh:
            writer.writerow(HEADER)
        for drop in drops:
            at = drop.received_at.isoformat(timespec="microseconds")
            writer.writerow((drop.drop_id, drop.file_id, drop.path, at, drop.size))
        stream.flush()
        os.fsync(stream.fileno())


def read_index(archive: Path) -> list[Drop]:
    """All drops in order; a torn line (the power failed while it was written) is passed over."""
    index = archive / "index.csv"
    if not index.exists():
        return []
    drops: list[Drop] = []
    with index.open(encoding="utf-8", newline="", errors="surrogateescape") as stream:
        for row in csv.reader(stream):
            drop = _drop_of(row, len(drops) + 1)
            if drop is not None:
                drops.append(drop)
    return drops


def _drop_of(row: list[str], number: int) -> Drop | None:
    if len(row) != len(HEADER) or row[0] == HEADER[0] or len(row[1]) != 64:
        return None
    try:
        at = datetime.fromisoformat(row[3])
        size = int(row[4])
    except ValueError:
        return None
    return Drop(number, row[0], row[1], row[2], at, size)


def utc_now() -> datetime:
    """Now, in UTC, without a zone, to the microsecond."""
    return datetime.now(UTC).replace(tzinfo=None)

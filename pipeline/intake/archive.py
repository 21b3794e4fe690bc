"""The archive: every original, byte for byte, named by its SHA-256, and the index of what was dropped."""

from __future__ import annotations

import csv
import hashlib
import io
import os
from collections.abc import Iterator
from contextlib import suppress
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from pathlib import Path
from threading import get_ident
from typing import BinaryIO

from pipeline.ids import text_id
from pipeline.intake.appended import append_rows
from pipeline.rights import make_private_folder, private

_BLOCK = 1 << 16
_HASH_DIGITS = 64
_PART = 1 << 20
_UNFINISHED = ".part"
HEADER = ("drop_id", "file_id", "path", "received_at", "size", "written_at")
_OLD_COLUMNS = 5


@dataclass(frozen=True)
class Drop:
    """A file that was dropped: `number` is its place in the index, the first being 1.

    `written_at` is when the dropped file was last written, which no run changes.
    """

    number: int
    drop_id: str
    file_id: str
    path: str
    received_at: datetime
    size: int
    written_at: datetime


def drop_id_of(path: str, size: int, mtime_ns: int, file_id: str) -> str:
    """Id of a drop: path, size, time and content together."""
    return text_id(f"{path}|{size}|{mtime_ns}|{file_id}")


class ArchiveDamaged(Exception):
    """The index of the archive is not as it was written; the message says what to do."""


class CannotRead(Exception):
    """A dropped file can't be read now; the message says why."""


class NotAsDropped(OSError):
    """An archived file has other bytes than those that were dropped."""


def store(archive: Path, file: Path) -> tuple[str, int]:
    """Copy a file into the archive under its SHA-256; (that hash, bytes copied).

    The copy is on disk before this returns, and made in one step; it takes the place of one that may have
    been damaged since. Reads a part at a time, so that a file of any size fits. Raises CannotRead where the
    file can't be read, OSError where the archive can't be written.
    """
    make_private_folder(archive)
    part = archive / f".{os.getpid()}-{get_ident()}{_UNFINISHED}"
    digest, size = hashlib.sha256(), 0
    try:
        with open(part, "wb", opener=private) as copy:
            for block in _blocks_of_dropped(file):
                digest.update(block)
                size += len(block)
                copy.write(block)
            copy.flush()
            os.fsync(copy.fileno())
        part.replace(archive / digest.hexdigest())
    except OSError as error:
        error.filename = error.filename or str(part)
        raise
    finally:
        # What can't be removed now is, by the next run.
        with suppress(OSError):
            part.unlink(missing_ok=True)
    return digest.hexdigest(), size


def _blocks_of_dropped(file: Path) -> Iterator[bytes]:
    try:
        with file.open("rb") as source:
            while block := source.read(_PART):
                yield block
    except OSError as error:
        raise CannotRead(error.strerror or str(error)) from error


def remove_unfinished(archive: Path) -> None:
    """Remove copies that a killed run left unfinished. Only for who holds the facility."""
    if archive.is_dir():
        with os.scandir(archive) as entries:
            left = [entry.name for entry in entries if entry.name.startswith(".")]
        for name in left:
            if name.endswith(_UNFINISHED):
                (archive / name).unlink(missing_ok=True)


def load(archive: Path, file_id: str) -> bytes:
    """The original content; OSError where it is gone, NotAsDropped where it is another."""
    data = (archive / file_id).read_bytes()
    if hashlib.sha256(data).hexdigest() != file_id:
        raise NotAsDropped(f"{archive / file_id} is not what was dropped")
    return data


def is_as_dropped(archive: Path, file_id: str) -> bool:
    """Whether the original content is there, byte for byte; reads a part at a time."""
    digest = hashlib.sha256()
    try:
        with open_original(archive, file_id) as stream:
            while block := stream.read(_PART):
                digest.update(block)
    except FileNotFoundError:
        return False
    return digest.hexdigest() == file_id


def start_of(archive: Path, file_id: str, size: int) -> bytes:
    """The first whole lines of an original, of about `size` bytes; OSError where it is gone."""
    with open_original(archive, file_id) as stream:
        data = stream.read(size)
    return data[: data.rfind(b"\n") + 1] or data


def open_original(archive: Path, file_id: str) -> BinaryIO:
    """The original content, to be read part by part; OSError where it is gone."""
    return (archive / file_id).open("rb")


def append_index(archive: Path, drops: list[Drop]) -> None:
    """Add drops to the index, which is made where it is not there; on disk before this returns."""
    index = archive / "index.csv"
    if index.exists():
        if not drops:
            return
        # A torn last line names a drop that nothing was made of: its file is still in the inbox.
        with index.open("r+b") as stream:
            stream.truncate(_end_of_lines(stream))
    append_rows(index, HEADER, [index_row(drop) for drop in drops])


def index_row(drop: Drop) -> tuple[str | int, ...]:
    """A drop's cells in the index."""
    received, written = (at.isoformat(timespec="microseconds") for at in (drop.received_at, drop.written_at))
    return drop.drop_id, drop.file_id, drop.path, received, drop.size, written


def _end_of_lines(stream: BinaryIO) -> int:
    """Where the last whole line of a file ends."""
    at = stream.seek(0, os.SEEK_END)
    while at > 0:
        start = max(0, at - _BLOCK)
        stream.seek(start)
        feed = stream.read(at - start).rfind(b"\n")
        if feed >= 0:
            return start + feed + 1
        at = start
    return 0


@dataclass(frozen=True)
class Mark:
    """How much of the index was looked at: its first `end` bytes, with so many drops."""

    end: int = 0
    drops: int = 0


def read_index(archive: Path) -> list[Drop]:
    """All drops in order; a torn line (the power failed while it was written) is passed over."""
    return read_index_from(archive, Mark())[0]


def read_index_from(archive: Path, mark: Mark) -> tuple[list[Drop], Mark]:
    """The drops beyond a mark, and the mark behind them. Raises ArchiveDamaged where the index ends before
    the mark, has a line that names no drop, or is gone."""
    index = archive / "index.csv"
    if not index.exists() and not mark.end and not _has_originals(archive):
        return [], Mark()
    end = 0
    if index.exists():
        with index.open("rb") as stream:
            end = _end_of_lines(stream)
            stream.seek(mark.end)
            text = stream.read(max(0, end - mark.end)).decode("utf-8", "surrogateescape")
    if end < mark.end or not index.exists():
        seen = "lacks lines that it had" if index.exists() else "is gone"
        raise ArchiveDamaged(f"{index} {seen}; put it back from a backup: it says which originals came when")
    drops: list[Drop] = []
    damaged: list[str] | None = None
    for row in csv.reader(io.StringIO(text, newline="")):
        if damaged is not None:
            raise ArchiveDamaged(
                f"{index} has a line that names no drop: '{','.join(damaged)[:80]}'; put the file back from "
                "a backup, or delete this line, drop what it was about again, and run `yardmark rebuild`"
            )
        drop = _drop_of(row, mark.drops + len(drops) + 1)
        if drop is not None:
            drops.append(drop)
        elif row and row[0] != HEADER[0]:
            # The last one was torn by a power cut before anything was made of it; others are damaged.
            damaged = row
    return drops, Mark(end, mark.drops + len(drops))


def _has_originals(archive: Path) -> bool:
    return archive.is_dir() and any(len(path.name) == _HASH_DIGITS for path in archive.iterdir())


def has_drops(archive: Path) -> bool:
    """Whether anything was ever taken in."""
    return (archive / "index.csv").is_file()


def _drop_of(row: list[str], number: int) -> Drop | None:
    # An index begun by an earlier version does not say when a file was written: when it came stands in.
    if len(row) not in (_OLD_COLUMNS, len(HEADER)) or row[0] == HEADER[0] or len(row[1]) != _HASH_DIGITS:
        return None
    try:
        at = datetime.fromisoformat(row[3])
        size = int(row[4])
        written = datetime.fromisoformat(row[5]) if len(row) > _OLD_COLUMNS else at
    except ValueError:
        return None
    return Drop(number, row[0], row[1], row[2], at, size, written)


def moment_of(mtime_ns: int) -> datetime:
    """A file's modification time, in UTC, without a zone, to the microsecond."""
    return datetime(1970, 1, 1) + timedelta(microseconds=mtime_ns // 1000)


def utc_now() -> datetime:
    """Now, in UTC, without a zone, to the microsecond."""
    return datetime.now(UTC).replace(tzinfo=None)

"""Which files of the inbox have settled: nobody is still writing them."""

from __future__ import annotations

import os
import stat
import time
import zipfile
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

_TEMPORARY_STARTS = (".", "~$", "~")
_OF_THE_SYSTEM = ("thumbs.db", "desktop.ini")
_TEMPORARY_ENDS = (".tmp", ".part", ".partial", ".crdownload", ".filepart", ".download", ".lock", "~")


@dataclass(frozen=True)
class Stamp:
    """Size and time of a file when looked at."""

    size: int
    mtime_ns: int


@dataclass(frozen=True)
class Waiting:
    """A file that is left alone for now, and why."""

    path: Path
    why: str


Settled = tuple[dict[Path, Stamp], list[Waiting]]
"""The files that nobody is writing any more, with their stamps; and those left alone."""


class NotAFile(Exception):
    """A pipe or a device: reading it might never end."""


def stamp_of(path: Path) -> Stamp:
    """How a file is now; OSError where it is gone, NotAFile where it is none."""
    found = path.stat()
    if not stat.S_ISREG(found.st_mode):
        raise NotAFile(f"{path} is no plain file")
    return Stamp(found.st_size, found.st_mtime_ns)


def scan(inbox: Path) -> tuple[dict[Path, Stamp], list[Waiting]]:
    """All files below the inbox with their stamps; temporary names and links are named as waiting."""
    files: dict[Path, Stamp] = {}
    waiting: list[Waiting] = []

    def closed(error: OSError) -> None:
        why = f"the folder can't be looked into ({error.strerror or error})"
        if not isinstance(error, FileNotFoundError):
            waiting.append(Waiting(Path(error.filename or inbox), why))

    for folder, folders, names in os.walk(inbox, onerror=closed):
        folders[:] = sorted(name for name in folders if not name.startswith("."))
        links = [path for name in folders if (path := Path(folder, name)).is_symlink()]
        waiting += [Waiting(path, "it is a link: put the files themselves into the inbox") for path in links]
        for name in names:
            path = Path(folder, name)
            if path.is_symlink():
                waiting.append(Waiting(path, "it is a link: put the file itself into the inbox"))
            elif name.lower() in _OF_THE_SYSTEM:
                waiting.append(Waiting(path, "the system made it for itself; it can be deleted"))
            elif name.startswith(_TEMPORARY_STARTS) or name.lower().endswith(_TEMPORARY_ENDS):
                waiting.append(Waiting(path, "its name is that of an unfinished or hidden file"))
            else:
                try:
                    files[path] = stamp_of(path)
                except OSError:
                    continue  # gone since the folder was listed
                except NotAFile:
                    waiting.append(Waiting(path, "it is no plain file"))
    return files, waiting


def is_whole(path: Path) -> bool:
    """Whether the last line of a text file has its line end, or a workbook its closing part."""
    try:
        with path.open("rb") as stream:
            start = stream.read(4)
            if start[:2] == b"PK":
                return zipfile.is_zipfile(path)
            stream.seek(max(0, path.stat().st_size - 2))
            end = stream.read()
    except OSError:
        return False
    return end[-1:] in (b"\n", b"\r", b"") or end in (b"\n\x00", b"\x00\n", b"\r\x00", b"\x00\r")


def settled_files(
    inbox: Path,
    settle_seconds: float,
    unfinished_seconds: float,
    sleep: Callable[[float], None] = time.sleep,
    say: Callable[[str], None] = lambda text: None,
) -> Settled:
    """The files that stood still between two scans, with their stamps, and those left alone.

    `settle_seconds` [s] lie between the scans; a file whose last line is not whole must stand still for
    `unfinished_seconds` [s]. An empty inbox does not wait.
    """
    before, _ = scan(inbox)
    if not before:
        return {}, scan(inbox)[1]
    sleep(settle_seconds)
    now, waiting = scan(inbox)
    still = {path: stamp for path, stamp in now.items() if before.get(path) == stamp}
    unfinished = [path for path in still if not is_whole(path)]
    longer = max(0.0, unfinished_seconds - settle_seconds)
    if unfinished and longer:
        named = ", ".join(path.relative_to(inbox).as_posix() for path in unfinished[:3])
        more = f" and {len(unfinished) - 3} more" if len(unfinished) > 3 else ""
        say(f"waiting {longer:g} s more for what ends without a line end: {named}{more}")
        sleep(longer)
        later, waiting = scan(inbox)
        unfinished_set = set(unfinished)
        still = {
            path: stamp
            for path, stamp in still.items()
            if path not in unfinished_set or later.get(path) == stamp
        }
        now = {**now, **later}
    waiting += [Waiting(path, "it is still being written") for path in now if path not in still]
    return dict(sorted(still.items(), key=lambda item: item[0].as_posix())), waiting

"""Files put in place in one step, also where a reader holds the old one open (Windows)."""

from __future__ import annotations

import contextlib
import os
import re
from collections.abc import Callable
from pathlib import Path

from pipeline.rights import owner_only

Writer = Callable[[Path], None]


def put(path: Path, write: Writer, private: bool = False) -> Path:
    """Write beside `path`, bring it to disk, put it in place in one step; returns where it is now.

    Where the system refuses to replace a file that a reader holds open, the new one stands beside it as
    `name.<n>.ext`; such files go when the next one is put in place and nobody holds them. `private`
    makes the file readable by its owner alone. Raises OSError where the folder can't be written.
    """
    temporary = path.with_name(f".{path.name}.part")
    temporary.unlink(missing_ok=True)
    try:
        write(temporary)
        if private:
            owner_only(temporary)
        _to_disk(temporary)
        placed = _place(temporary, path)
    finally:
        temporary.unlink(missing_ok=True)
    _remove_older(path, placed)
    return placed


def remove_others(folder: Path, suffixes: tuple[str, ...], keep: set[str]) -> None:
    """Remove the files of a folder that end so and are not named in `keep`; one that is held open stays."""
    for path in sorted(folder.iterdir()):
        if path.is_file() and path.suffix in suffixes and path.name not in keep:
            _remove(path)


def _place(temporary: Path, path: Path) -> Path:
    """Replace `path`, or stand beside it under the next free number where that is refused."""
    try:
        temporary.replace(path)
        return path
    except PermissionError:
        numbers = [0, *(int(match[1]) for _, match in _numbered(path))]
        beside = path.with_name(f"{path.stem}.{max(numbers) + 1}{path.suffix}")
        temporary.replace(beside)
        return beside


def _numbered(path: Path) -> list[tuple[Path, re.Match[str]]]:
    pattern = re.compile(re.escape(path.stem) + r"\.(\d+)" + re.escape(path.suffix))
    found = [(other, pattern.fullmatch(other.name)) for other in sorted(path.parent.iterdir())]
    return [(other, match) for other, match in found if match]


def _remove_older(path: Path, placed: Path) -> None:
    for other, _ in _numbered(path):
        if other != placed:
            _remove(other)


def _remove(path: Path) -> None:
    with contextlib.suppress(PermissionError):
        path.unlink(missing_ok=True)


def _to_disk(path: Path) -> None:
    """fsync, so that a power cut leaves the old file or the whole new one."""
    handle = os.open(path, os.O_RDWR)
    try:
        os.fsync(handle)
    finally:
        os.close(handle)

"""Rights of files that name people: theirs alone whose process wrote them, from the moment they are made.

A facility that wants to share them gives them, or their folder, other rights: a file that is only added to
and a folder that is there keep the rights they have.
"""

from __future__ import annotations

import os
from pathlib import Path


def private(path: str, flags: int) -> int:
    """An `opener` for `open`: a file that is made is its owner's alone."""
    return os.open(path, flags, 0o600)


def make_private_folder(folder: Path) -> Path:
    """Make a folder that only its owner can enter, unless there is one."""
    if not folder.is_dir():
        folder.parent.mkdir(parents=True, exist_ok=True)
        folder.mkdir(mode=0o700, exist_ok=True)
    return folder


def private_folder(folder: Path) -> Path:
    """Make a folder that only its owner can enter, also where there is one with other rights."""
    owner_only(make_private_folder(folder))
    return folder


def owner_only(path: Path) -> None:
    """Take all rights from everybody but the owner, where the system knows such rights."""
    if os.name == "posix":
        path.chmod(0o700 if path.is_dir() else 0o600)

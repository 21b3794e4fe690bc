"""One writer at a time: the operating system's own lock, with the name of who holds it."""

from __future__ import annotations

import os
import sys
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path

from filelock import FileLock, Timeout

from pipeline.rights import make_private_folder

WAIT_SECONDS = 60
_FILE = "yardmark.lock"
_OWNER = "yardmark.lock.owner"
_WATCH = "yardmark.watch.lock"
_POLL_SECONDS = 0.05


class Busy(Exception):
    """Another run holds the facility; the message says which."""


@contextmanager
def facility_lock(
    state: Path, what: str, say: Callable[[str], None], wait_seconds: float = WAIT_SECONDS
) -> Iterator[None]:
    """Hold the facility while the body runs. Waits up to `wait_seconds` [s], saying for whom; then Busy.

    The lock goes with its process, however that ends; nothing needs to be cleaned up by hand.
    """
    make_private_folder(state)
    lock = FileLock(state / _FILE)
    try:
        lock.acquire(timeout=0)
    except Timeout:
        say(f"waiting for {_owner(state)} (at most {wait_seconds:g} s)")
        try:
            lock.acquire(timeout=wait_seconds, poll_interval=_POLL_SECONDS)
        except Timeout:
            held = f"{_owner(state)} holds this facility, still after {wait_seconds:g} s"
            raise Busy(f"{held}; try again when it is done") from None
    try:
        (state / _OWNER).write_text(
            f"{what}, process {os.getpid()} on {sys.platform}, since {time.strftime('%H:%M:%S')}",
            encoding="utf-8",
        )
        yield
    finally:
        (state / _OWNER).unlink(missing_ok=True)
        lock.release()


@contextmanager
def watch_lock(state: Path) -> Iterator[None]:
    """Hold the watch over a facility while the body runs; Busy where another process has it."""
    make_private_folder(state)
    lock = FileLock(state / _WATCH)
    try:
        lock.acquire(timeout=0)
    except Timeout:
        raise Busy("this facility is watched already; one `yardmark watch` is enough") from None
    try:
        yield
    finally:
        lock.release()


def is_watched(state: Path) -> bool:
    """Whether a `watch` is up."""
    if not (state / _WATCH).exists():
        return False
    try:
        with watch_lock(state):
            return False
    except Busy:
        return True


def let_others_in() -> None:
    """Wait, without the lock, as long as somebody who waits for it needs to see that it is free."""
    time.sleep(2 * _POLL_SECONDS)


def _owner(state: Path) -> str:
    try:
        return (state / _OWNER).read_text(encoding="utf-8") or "another run"
    except OSError:
        return "another run"

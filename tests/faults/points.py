"""Where a process can be stopped: before and after every change that it makes to the facility's folder.

Installed in a forked child alone (see `server`): audit hooks can't be taken away again.
"""

from __future__ import annotations

import errno
import os
import signal
import sys
from collections import Counter
from collections.abc import Callable
from dataclasses import dataclass, field
from threading import RLock
from types import FunctionType
from typing import Any

import duckdb

_WRITING = os.O_WRONLY | os.O_RDWR | os.O_CREAT | os.O_TRUNC | os.O_APPEND
# Audit event -> kind of point, and which of its arguments are paths.
_EVENTS = {
    "open": ("open", (0,)),
    "os.rename": ("rename", (0, 1)),
    "os.remove": ("remove", (0,)),
    "os.mkdir": ("mkdir", (0,)),
    "os.rmdir": ("rmdir", (0,)),
    "os.chmod": ("chmod", (0,)),
    "os.truncate": ("truncate", (0,)),
}
_STATEMENTS = ("INSERT", "DELETE", "CREATE", "BEGIN", "COMMIT", "COPY", "ATTACH", "DETACH", "COMMENT", "DROP")


@dataclass
class Points:
    """Counts the points of a process, and does something at one of them.

    `root`: only changes below it count. `at`: the number of the point, the first being 1 (0: never).
    `action`: `kill` (SIGKILL to this very process), `torn` (as `kill`, but the file that would be brought to
    disk loses the end that was written last, as after a power cut), or the name of an errno (`ENOSPC`) that
    the system says there. `tell`: is told at what point it happened. `only`: kinds that count (all).
    """

    root: str
    at: int = 0
    action: str = "kill"
    only: tuple[str, ...] = ()
    tell: Callable[[str], None] = lambda said: None
    counts: Counter[str] = field(default_factory=Counter)
    _seen: int = 0
    _lock: Any = field(default_factory=RLock)

    def install(self) -> None:
        """From now on all changes of this process are points."""
        sys.addaudithook(self._audit)
        fsync, connect = os.fsync, duckdb.connect

        def fsync_at_a_point(handle: Any) -> None:
            self.point("fsync", "", handle)
            fsync(handle)

        os.fsync = fsync_at_a_point
        duckdb.connect = lambda *given, **named: _Connection(connect(*given, **named), self)  # type: ignore

    def point(self, kind: str, what: str, handle: Any = None) -> None:
        """A change is about to be made, or was just made."""
        with self._lock:
            if self.only and kind not in self.only:
                return
            self.counts[kind] += 1
            self._seen += 1
            if self._seen != self.at:
                return
            self.tell(f"{kind} {what}")
            if self.action == "torn" and handle is not None:
                _tear(handle)
            if self.action in ("kill", "torn"):
                os.kill(os.getpid(), signal.SIGKILL)
            code = getattr(errno, self.action)
            # A full disk does not get empty by itself.
            self.at += 1
            raise OSError(code, os.strerror(code), what or None)

    def _audit(self, event: str, given: tuple[Any, ...]) -> None:
        known = _EVENTS.get(event)
        if known is None:
            return
        kind, places = known
        if event == "open" and not (isinstance(given[2], int) and given[2] & _WRITING):
            return
        # What is there already, or not there any more, is no change.
        known_already = {"os.mkdir": os.path.isdir, "os.remove": lambda path: not os.path.lexists(path)}
        if event in known_already and known_already[event](given[0]):
            return
        paths = [os.fspath(given[n]) for n in places if isinstance(given[n], (str, os.PathLike))]
        if any(path.startswith(self.root) for path in paths):
            self.point(kind, paths[-1])


def _tear(handle: Any) -> None:
    """Take away what a power cut may take: of a file that grew, the end that no `fsync` brought to disk."""
    number = handle if isinstance(handle, int) else handle.fileno()
    size = os.fstat(number).st_size
    os.ftruncate(number, max(0, size - 1 - size // 7 % 60))


def _execute(connection: Any, statement: str, *given: Any) -> Any:
    return connection.execute(statement, *given)


class _Connection:
    """A connection whose statements are points, those that change something, before and after."""

    def __init__(self, connection: Any, points: Points) -> None:
        self._connection, self._points = connection, points

    def __getattr__(self, name: str) -> Any:
        return getattr(self._connection, name)

    def __enter__(self) -> _Connection:
        return self

    def __exit__(self, *given: object) -> None:
        self._connection.close()

    def execute(self, statement: str, *given: Any) -> Any:
        # DuckDB looks for frames among the global variables of whoever calls it.
        execute = FunctionType(_execute.__code__, sys._getframe(1).f_globals)
        word = statement.split(None, 1)[0].upper()
        if word not in _STATEMENTS:
            return execute(self._connection, statement, *given)
        self._points.point("statement", statement[:60])
        done = execute(self._connection, statement, *given)
        if word in ("COMMIT", "COPY", "DETACH"):
            self._points.point("committed", statement[:60])
        return done

    def close(self) -> None:
        self._points.point("statement", "close")
        self._connection.close()

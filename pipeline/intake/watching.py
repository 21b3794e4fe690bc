"""The inbox watched by looking again and again: no events, which network shares do not send."""

from __future__ import annotations

from dataclasses import dataclass, field
from pathlib import Path

from pipeline.intake.settle import Settled, Stamp, Waiting, is_whole, scan

# A file that intake left where it is (somebody holds it open) is handed over again after so long.
AGAIN_SECONDS = 60.0


@dataclass
class InboxWatch:
    """What was seen of an inbox so far. The clock is the caller's: a file's own times may be of another
    computer, and copying often keeps old ones."""

    inbox: Path
    _seen: dict[Path, tuple[Stamp, float]] = field(default_factory=dict)
    _handed: dict[Path, tuple[Stamp, float]] = field(default_factory=dict)

    def look(self, settle_seconds: float, unfinished_seconds: float, now: float) -> Settled:
        """The files that have stood still for `settle_seconds` [s] at `now` [s], of a clock that only goes
        on; those without a whole last line for `unfinished_seconds` [s]. And those left alone."""
        files, waiting = scan(self.inbox)
        self._seen = {path: self._since(path, stamp, now) for path, stamp in files.items()}
        settled: dict[Path, Stamp] = {}
        for path, (stamp, since) in sorted(self._seen.items()):
            if self._was_handed(path, stamp, now):
                continue
            if now - since < settle_seconds:
                waiting.append(Waiting(path, "it has not stood still for long enough"))
            elif now - since < unfinished_seconds and not is_whole(path):
                waiting.append(Waiting(path, "its last line has no line end: it may still be growing"))
            else:
                settled[path] = stamp
        return settled, waiting

    def handed_over(self, settled: Settled, now: float) -> None:
        """Remember that intake has had these files: one that is still there is not new."""
        files, _ = scan(self.inbox)
        known = {**self._handed, **{path: (stamp, now) for path, stamp in settled[0].items()}}
        self._handed = {path: known[path] for path in files if path in known}

    def _since(self, path: Path, stamp: Stamp, now: float) -> tuple[Stamp, float]:
        before = self._seen.get(path)
        return before if before is not None and before[0] == stamp else (stamp, now)

    def _was_handed(self, path: Path, stamp: Stamp, now: float) -> bool:
        known = self._handed.get(path)
        return known is not None and known[0] == stamp and now - known[1] < AGAIN_SECONDS

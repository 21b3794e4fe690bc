"""`yardmark watch`: takes in what settles in the inbox, refreshes soon after, and keeps the schedules up."""

from __future__ import annotations

import os
import signal
import threading
import time
from collections.abc import Callable
from dataclasses import dataclass, field, replace
from pathlib import Path

from pipeline import show
from pipeline.clock import today
from pipeline.facility.folder import Facility, load_facility
from pipeline.facility.problems import ConfigError
from pipeline.flows.scheduler import Scheduler
from pipeline.intake.settle import Settled
from pipeline.intake.watching import InboxWatch
from pipeline.lock import watch_lock
from pipeline.run import Run, Step, run_steps
from pipeline.steps import refresh_steps, take_in_steps

Say = Callable[[str], None]
Config = dict[Path, tuple[int, int]]
_LOOK_SECONDS = 1.0
# The refresh waits until nothing has come for a moment, so that a pile of files is computed once; but not
# for ever, where something always comes.
_QUIET_SECONDS = 3.0
_PATIENCE_SECONDS = 60.0
# After a failure (a full disk, a file that somebody has locked) it is tried again so much later.
_AGAIN_SECONDS = 30.0


@dataclass
class Watch:
    """A facility that is watched."""

    folder: Path
    say: Say
    stopping: threading.Event = field(default_factory=threading.Event)
    _facility: Facility | None = None
    _read_as: Config = field(default_factory=dict)
    _taken_with: Config = field(default_factory=dict)
    _complained: str = ""
    _not_before: float = 0.0
    _changed: tuple[float, float] | None = None

    def run(self) -> None:
        """Watch until told to stop. Raises ConfigError at the start, Busy where it is watched already."""
        facility = load_facility(self.folder)
        with watch_lock(facility.state):
            scheduler = Scheduler(self.folder.resolve(), facility.state)
            os.environ.update(scheduler.environment)
            self.say(f"Watching {facility.inbox}. Stop with Ctrl-C. What ran is shown on {scheduler.url}")
            inbox = InboxWatch(facility.inbox)
            try:
                while not self.stopping.is_set():
                    self._tick(scheduler, inbox)
                    self.stopping.wait(_LOOK_SECONDS)
            finally:
                self.say("Stopping.")
                scheduler.stop()

    def _tick(self, scheduler: Scheduler, inbox: InboxWatch) -> None:
        """Look once, and do what is due. What goes wrong is said, and tried again later."""
        try:
            facility = self._loaded()
            scheduler.tend(repr((facility.settings.schedule, facility.settings.timezone)))
            if time.monotonic() >= self._not_before:
                self._look(facility, scheduler, inbox)
                self._complained = ""
        except ConfigError as error:
            self._complain("\n".join(str(problem) for problem in error.problems))
        except Exception as error:
            self._not_before = time.monotonic() + _AGAIN_SECONDS
            self._complain(f"{error or type(error).__name__}; trying again in {_AGAIN_SECONDS:g} s")

    def _loaded(self) -> Facility:
        """The facility as its config is now, read again only where that was edited. Raises ConfigError."""
        found = _config_files(self.folder / "config")
        if self._facility is None or found != self._read_as:
            self._facility = None
            self._facility = load_facility(self.folder)
            self._read_as = found
        return self._facility

    def _complain(self, text: str) -> None:
        """Say what is wrong, once."""
        if text != self._complained:
            self.say(text)
            self._complained = text

    def _look(self, facility: Facility, scheduler: Scheduler, inbox: InboxWatch) -> None:
        settings, now = facility.settings, time.monotonic()
        settled = inbox.look(settings.settle_seconds, settings.settle_unfinished_seconds, now)
        if settled[0] or self._read_as != self._taken_with:
            run = self._do(facility, take_in_steps(), scheduler, settled)
            inbox.handed_over(settled, time.monotonic())
            self._taken_with = self._read_as
            self._changed = (self._changed[0] if self._changed else now, time.monotonic())
            self._tell(run)
        if self._is_time_to_refresh(time.monotonic()):
            run = self._do(facility, refresh_steps(), scheduler)
            self._changed = None
            if "publish" in run.done:
                self.say(f"Published: statistics as of {run.last_day}, people as of {run.valid_on}.")

    def _is_time_to_refresh(self, now: float) -> bool:
        if self._changed is None:
            return False
        first, last = self._changed
        return now > last + _QUIET_SECONDS or now > first + _PATIENCE_SECONDS

    def _tell(self, run: Run) -> None:
        """What was taken in, in a line or two; not the same waiting files and questions over and over."""
        report = run.intake
        if report is None or not (report.new_drops or report.answering or report.released):
            return
        show.taken_in(replace(report, waiting=[]), run.facility)
        asked = sum(report.open_codes.values())
        self.say(
            f"{asked} open question(s): `yardmark held {self.folder}` lists them."
            if asked
            else "No open questions."
        )

    def _do(
        self,
        facility: Facility,
        steps: tuple[Step, ...],
        scheduler: Scheduler,
        settled: Settled | None = None,
    ) -> Run:
        """Run steps now, as a flow where the server is up."""
        run = Run(
            facility,
            lambda text: None,
            today(facility.settings.timezone),
            started_by="watch",
            settled=settled,
        )
        if scheduler.healthy():
            from pipeline.flows.flows import run_flow

            run_flow(steps[0].name if len(steps) == 1 else "refresh", run, steps)
        else:
            run_steps(run, steps)
        return run


def _config_files(folder: Path) -> Config:
    """Size and time of every file that people change: what they say there may release rows."""
    found: Config = {}
    for path in sorted(folder.rglob("*")):
        try:
            stat = path.stat()
        except OSError:
            continue
        found[path] = (stat.st_size, stat.st_mtime_ns)
    return found


def watch(folder: Path, say: Say) -> None:
    """Watch a facility until the process is told to stop (Ctrl-C, or a service manager's terminate)."""
    one = Watch(folder, say)
    for name in (signal.SIGINT, signal.SIGTERM):
        signal.signal(name, lambda *_: one.stopping.set())
    one.run()

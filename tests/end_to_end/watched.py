"""A watcher as a process of its own, and what a person or a power cut does to it."""

from __future__ import annotations

import signal
import subprocess
import time
from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path

from tests.end_to_end.runs import far_program

SERVER, RUNNER = "pipeline.flows.server", "pipeline.flows.runner"


@dataclass
class Watched:
    """`yardmark watch` of an installed package over a facility."""

    installed: Path
    facility: Path
    log: Path
    _process: subprocess.Popen[bytes] | None = field(default=None)

    def start(self) -> None:
        program, env = far_program(self.installed)
        with self.log.open("ab") as log:
            self._process = subprocess.Popen(
                [*program, "watch", str(self.facility)], stdout=log, stderr=log, env=env, cwd=self.log.parent
            )

    @property
    def pid(self) -> int:
        assert self._process is not None
        return self._process.pid

    def kill(self) -> None:
        """What a power cut does, to this process alone."""
        assert self._process is not None
        self._process.kill()
        self._process.wait()

    def stop(self) -> int:
        assert self._process is not None
        self._process.send_signal(signal.SIGTERM)
        return self._process.wait(60)

    def children(self) -> dict[str, int]:
        """Module -> process of the watcher's children."""
        listed = subprocess.run(
            ["ps", "-o", "pid=,args=", "--ppid", str(self.pid)], capture_output=True, text=True, check=False
        ).stdout.splitlines()
        found = {}
        for line in listed:
            pid, _, arguments = line.strip().partition(" ")
            found |= {module: int(pid) for module in (SERVER, RUNNER) if module in arguments}
        return found

    def resident_kb(self) -> int:
        """Memory of the watcher itself [KiB]."""
        listed = subprocess.run(
            ["ps", "-o", "rss=", "-p", str(self.pid)], capture_output=True, text=True, check=True
        )
        return int(listed.stdout)


def wait_for(what: str, done: Callable[[], bool], seconds: float = 90) -> None:
    end = time.monotonic() + seconds
    while not done():
        assert time.monotonic() < end, f"not within {seconds} s: {what}"
        time.sleep(0.25)

"""The server and the runner of the scheduled flows: two children that are started again when they die."""

from __future__ import annotations

import socket
import subprocess
import sys
import time
import urllib.error
import urllib.request
from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path

from pipeline.flows.prefect_home import HOST, environment, home
from pipeline.rights import private_folder

# A child that dies at once, over and over, must not eat the computer.
_AGAIN_SECONDS = 5.0
_STOP_SECONDS = 10.0


@dataclass
class Child:
    """A Python module run as a child: what it prints goes to a log, and it ends when this process ends."""

    module: str
    log: Path
    _process: subprocess.Popen[bytes] | None = None
    _started: float = -_AGAIN_SECONDS

    @property
    def alive(self) -> bool:
        """Whether it runs."""
        return self._process is not None and self._process.poll() is None

    def start(self, env: Mapping[str, str], *arguments: str) -> None:
        """Start it, unless it was started only just now."""
        if self.alive or time.monotonic() - self._started < _AGAIN_SECONDS:
            return
        private_folder(self.log.parent)
        with self.log.open("wb") as log:
            self._process = subprocess.Popen(
                [sys.executable, "-m", self.module, *arguments],
                env=dict(env),
                stdin=subprocess.PIPE,
                stdout=log,
                stderr=log,
                # A Ctrl-C in the terminal is for `watch`, which then stops its children.
                start_new_session=True,
            )
        self._started = time.monotonic()

    def stop(self) -> None:
        """Stop it, and wait until it has stopped."""
        if self._process is None:
            return
        if self._process.stdin is not None:
            self._process.stdin.close()
        try:
            self._process.wait(_STOP_SECONDS)
        except subprocess.TimeoutExpired:
            self._process.kill()
            self._process.wait()
        self._process = None
        self._started = -_AGAIN_SECONDS


@dataclass
class Scheduler:
    """Keeps the Prefect server of a facility up, and with it the runner of the scheduled flows."""

    folder: Path
    state: Path
    port: int = 0
    served: str | None = None
    _server: Child = field(init=False)
    _runner: Child = field(init=False)

    def __post_init__(self) -> None:
        self._server = Child("pipeline.flows.server", home(self.state) / "server.log")
        self._runner = Child("pipeline.flows.runner", home(self.state) / "runner.log")

    @property
    def environment(self) -> dict[str, str]:
        """What this process needs in its environment to talk to the server."""
        if not self.port:
            self.port = _free_port()
        return environment(self.state, self.port)

    @property
    def url(self) -> str:
        """Where a browser sees what ran."""
        return f"http://{HOST}:{self.port}"

    def tend(self, schedule: str) -> None:
        """Start what does not run; `schedule` is the text of the schedules: when it changes, they are served
        anew. Returns at once."""
        if not self._server.alive:
            self._server.start(self.environment, str(self.port))
        if self.served != schedule:
            self._runner.stop()
        if not self._runner.alive and self.healthy():
            self._runner.start(self.environment, str(self.folder))
            self.served = schedule

    def healthy(self) -> bool:
        """Whether the server answers."""
        if not self._server.alive:
            return False
        try:
            with urllib.request.urlopen(f"{self.url}/api/health", timeout=1) as answer:
                return bool(answer.status == 200)
        except (urllib.error.URLError, OSError):
            return False

    def stop(self) -> None:
        """Stop both."""
        self._runner.stop()
        self._server.stop()


def _free_port() -> int:
    with socket.socket() as found:
        found.bind((HOST, 0))
        return int(found.getsockname()[1])

"""A process that has yardmark loaded and does each command in a child that may be killed.

Forking costs milliseconds, starting anew costs seconds. Nobody else's threads may be in the process that
forks, so it is none of pytest's.
"""

from __future__ import annotations

import importlib
import json
import os
import resource
import select
import signal
import subprocess
import sys
import time
import traceback
from collections import Counter
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from functools import partial
from pathlib import Path
from typing import Any

# Packages that yardmark's own dependencies import at their first use.
_LATE = ("hypothesis", "encodings", "pandera", "polars", "xlsxwriter", "scipy")
ROOT = Path(__file__).resolve().parents[2]


@dataclass(frozen=True)
class Ended:
    """How a command ended: by itself with a status, or killed by a signal. `fell`: the point where something
    was done to it; `counts`: the points it came by; `seconds` [s]: how long it took, and
    of the processor."""

    status: int | None
    killed_by: int | None
    fell: str | None
    counts: Counter[str]
    seconds: float
    cpu_seconds: float
    out: str
    err: str

    @property
    def killed(self) -> bool:
        return self.killed_by == signal.SIGKILL


class Server:
    """Does commands, one after the other."""

    def __init__(self, process: subprocess.Popen[str]) -> None:
        self._process = process

    def do(self, *arguments: object, root: Path, **how: Any) -> Ended:
        """Do a command. `root`: below it changes count. `how`: `at`, `action` and `only` as in `Points`;
        `after` [s]: when it is killed from outside; `file_limit` [bytes]: how large a file may become;
        `broken`: module:function that is called first, in the child; `wait` [s]: for the lock."""
        assert self._process.stdin is not None and self._process.stdout is not None
        asked = {"argv": [str(one) for one in arguments], "root": str(root), **how}
        self._process.stdin.write(json.dumps(asked) + "\n")
        self._process.stdin.flush()
        told = json.loads(self._process.stdout.readline())
        assert "Traceback" not in told["err"], told["err"]
        return Ended(**{**told, "counts": Counter(told["counts"])})


@contextmanager
def serving() -> Iterator[Server]:
    """A server that goes at the end."""
    one_thread = dict.fromkeys(("POLARS_MAX_THREADS", "OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS"), "1")
    process = subprocess.Popen(
        [sys.executable, "-m", "tests.faults.server"],
        cwd=ROOT,
        env={**os.environ, **one_thread},
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        encoding="utf-8",
    )
    try:
        yield Server(process)
    finally:
        assert process.stdin is not None
        process.stdin.close()
        process.wait(20)


def _serve() -> None:
    from pipeline import run
    from pipeline.stamps import code_version

    for module in (
        "pipeline.commands",
        "pipeline.steps",
        "pipeline.today",
        "schemas.models",
        "xlsxwriter.workbook",
    ):
        importlib.import_module(module)
    code_version()
    run.let_others_in = lambda: None  # nobody else waits for the lock
    for line in sys.stdin:
        told = _do(json.loads(line))
        # What a command imports late, the next child has at once.
        for module in told.pop("modules"):
            importlib.import_module(module)
        print(json.dumps(told), flush=True)


def _do(asked: dict[str, Any]) -> dict[str, Any]:
    # Pipes, which no limit of file sizes is about; what a command says fits into them.
    pipes = [os.pipe() for _ in range(3)]
    began = time.monotonic()
    child = os.fork()
    if child == 0:
        for place, (_, writer) in enumerate(pipes[:2], start=1):
            os.dup2(writer, place)
        sys.stdout, sys.stderr = (open(place, "w", encoding="utf-8", closefd=False) for place in (1, 2))  # noqa: SIM115
        _child(asked, pipes[2][1])
    for _, writer in pipes:
        os.close(writer)
    out, err, told = (reader for reader, _ in pipes)
    if asked.get("after") is not None:
        # True at the end of file too: it has ended before.
        select.select([told], [], [], asked["after"])
        os.kill(child, signal.SIGKILL)
    said = dict(json.loads(line) for line in _read(told).splitlines())
    _, status, used = os.wait4(child, 0)
    code = os.waitstatus_to_exitcode(status)
    return {
        "status": code if code >= 0 else None,
        "killed_by": -code if code < 0 else None,
        "fell": said.get("fell"),
        "counts": said.get("counts", {}),
        "modules": said.get("modules", []),
        "seconds": round(time.monotonic() - began, 3),
        "cpu_seconds": used.ru_utime + used.ru_stime,
        "out": _read(out),
        "err": _read(err),
    }


def _read(handle: int) -> str:
    with open(handle, encoding="utf-8") as stream:
        return stream.read()


def _child(asked: dict[str, Any], writer: int) -> None:
    """The command, in the child; never returns."""
    status = 70
    try:
        # Imported here, where its parts are replaced.
        from pipeline import commands, run
        from pipeline.cli import main
        from pipeline.lock import facility_lock
        from tests.faults.points import Points

        def tell(key: str, value: object) -> None:
            os.write(writer, (json.dumps([key, value]) + "\n").encode())

        if asked.get("file_limit") is not None:
            signal.signal(signal.SIGXFSZ, signal.SIG_IGN)
            resource.setrlimit(resource.RLIMIT_FSIZE, (asked["file_limit"], asked["file_limit"]))
        if asked.get("wait") is not None:
            for module in (commands, run):
                module.facility_lock = partial(facility_lock, wait_seconds=asked["wait"])
        if asked.get("broken"):
            module, name = asked["broken"].split(":")
            getattr(importlib.import_module(module), name)()
        points = Points(
            asked["root"],
            asked.get("at", 0),
            asked.get("action", "kill"),
            tuple(asked.get("only", ())),
            lambda said: tell("fell", said),
        )
        before = set(sys.modules)
        points.install()
        status = main(asked["argv"])
        tell("counts", points.counts)
        late = (name for name in sys.modules if name not in before)
        tell("modules", [name for name in late if name.split(".")[0] in _LATE])
    except SystemExit as left:
        status = int(left.code or 0)
    except BaseException:
        traceback.print_exc()
    finally:
        sys.stdout.flush()
        sys.stderr.flush()
        os._exit(status)


if __name__ == "__main__":
    _serve()

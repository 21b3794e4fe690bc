"""The server and the runner as children: they come up, come again, and go with their parent."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
import time
from collections.abc import Iterator
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest

from pipeline.flows.prefect_home import home
from pipeline.flows.scheduler import Scheduler
from tests.end_to_end.runs import DEMO_CONFIG, ROOT
from tests.end_to_end.watched import wait_for

pytestmark = pytest.mark.skipif(os.name != "posix", reason="signals")

# Runs in the past of a deployment, as a server that was down finds them; then what the runner does to them.
MISSED = """
import sys
from datetime import datetime, timedelta, UTC
from prefect import flow
from prefect.client.orchestration import get_client
from prefect.states import Scheduled
from pipeline.flows.runner import drop_missed

@flow
def nothing(): pass

with get_client(sync_client=True) as client:
    flow_id = client.create_flow(nothing)
    ids = [client.create_deployment(flow_id, name=name) for name in ("a", "b")]
    for deployment, hours in ((ids[0], (1, 2, 3)), (ids[1], (5,)), (ids[0], (-4,))):
        for ago in hours:
            when = datetime.now(UTC) - timedelta(hours=ago)
            client.create_flow_run_from_deployment(
                deployment, state=Scheduled(scheduled_time=when), name=f"{'ab'[ids.index(deployment)]}{ago}")
    drop_missed()
    for run in client.read_flow_runs():
        print(run.name, run.state_name)
"""


@pytest.fixture
def scheduler(tmp_path: Path) -> Iterator[Scheduler]:
    hall = tmp_path / "hall"
    (hall / "inbox").mkdir(parents=True)
    (hall / "config").symlink_to(DEMO_CONFIG)
    one = Scheduler(hall, hall)
    yield one
    one.stop()


def pids(scheduler: Scheduler) -> list[int | None]:
    return [
        child._process.pid if child._process else None for child in (scheduler._server, scheduler._runner)
    ]


def test_both_come_up_come_again_and_stop(scheduler: Scheduler):
    def up() -> bool:
        scheduler.tend("as it is")
        return scheduler._runner.alive and scheduler.healthy()

    wait_for("server and runner", up)
    assert home(scheduler.state).stat().st_mode & 0o077 == 0
    server, runner = pids(scheduler)
    assert server is not None and runner is not None
    os.kill(server, signal.SIGKILL)
    os.kill(runner, signal.SIGKILL)
    wait_for("they are gone", lambda: not scheduler._server.alive and not scheduler._runner.alive)
    assert not scheduler.healthy()
    wait_for("both again", up)
    assert server not in pids(scheduler) and runner not in pids(scheduler)
    before = pids(scheduler)
    scheduler.tend("moved")
    wait_for("the runner with the moved schedule", up)
    assert pids(scheduler)[0] == before[0] and pids(scheduler)[1] != before[1]
    ran = subprocess.run(
        [sys.executable, "-c", MISSED], env=scheduler.environment, cwd=ROOT, capture_output=True, text=True,
        check=False,
    )  # fmt: skip
    assert ran.returncode == 0, ran.stderr
    states = dict(line.split(" ", 1) for line in ran.stdout.splitlines())
    assert {name: states[name] for name in ("a1", "a2", "a3", "b5", "a-4")} == {
        "a1": "Scheduled", "a2": "Cancelled", "a3": "Cancelled", "b5": "Scheduled", "a-4": "Scheduled",
    }  # fmt: skip
    scheduler.stop()
    assert not scheduler._server.alive and not scheduler._runner.alive


def test_children_go_with_their_parent_however_it_ends(tmp_path: Path):
    child = (
        "from pipeline.flows.parent import end_with_parent; import time; end_with_parent(); time.sleep(60)"
    )
    parent = (
        "import subprocess, sys, time; "
        f"p = subprocess.Popen([sys.executable, '-c', {child!r}], stdin=subprocess.PIPE); "
        "print(p.pid, flush=True); time.sleep(60)"
    )
    ran = subprocess.Popen([sys.executable, "-c", parent], cwd=ROOT, stdout=subprocess.PIPE, text=True)
    assert ran.stdout is not None
    pid = int(ran.stdout.readline())
    started = datetime.now(UTC)
    ran.kill()
    ran.wait()
    while (Path("/proc") / str(pid)).exists() and datetime.now(UTC) - started < timedelta(seconds=20):
        time.sleep(0.1)
    with pytest.raises(ProcessLookupError):
        os.kill(pid, 0)

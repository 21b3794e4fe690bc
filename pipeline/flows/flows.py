"""The flows: thin shells over the steps that the plain commands run without any server."""

from __future__ import annotations

import time
from collections.abc import Callable
from pathlib import Path

import polars as pl
from prefect import Flow, Task, flow
from prefect.artifacts import create_markdown_artifact, create_table_artifact
from prefect.cache_policies import NO_CACHE
from prefect.settings import PREFECT_FLOWS_HEARTBEAT_FREQUENCY, temporary_settings

from pipeline.clock import today
from pipeline.facility.folder import load_facility
from pipeline.run import Run, Step, run_steps
from pipeline.steps import refresh_steps, weekly_steps

Work = Callable[[], None]
NIGHTLY, WEEKLY = "nightly-refresh", "weekly-edition"
_MOST_ROWS = 200
_AFTER_SECONDS = 1.0


def new_run(folder: Path, started_by: str, say: Callable[[str], None]) -> Run:
    """A run of today. Raises ConfigError."""
    facility = load_facility(folder)
    return Run(facility, say, today(facility.settings.timezone), started_by=started_by)


def as_flow(name: str, work: Work) -> None:
    """Do a piece of work now, in this process, as a run of a flow.

    Where the server can't be reached, the work is done all the same. Raises only what the work raises.
    """

    def start(body: Work) -> None:
        # Each flow would wait a second for the thread of its heartbeat.
        with temporary_settings({PREFECT_FLOWS_HEARTBEAT_FREQUENCY: None}):
            Flow(fn=body, name=name, validate_parameters=False)()

    _once(start, work)


def as_task(name: str, work: Work) -> None:
    """Do a piece of work now, as a task of the flow that runs."""
    _once(lambda body: Task(fn=body, name=name, cache_policy=NO_CACHE)(), work)


def _once(start: Callable[[Work], object], work: Work) -> None:
    """Have `start` do the work; do it here where that came to nothing; raise the work's own errors only."""
    began: list[bool] = []
    failed: list[BaseException] = []

    def body() -> None:
        began.append(True)
        try:
            work()
        except BaseException as error:
            failed.append(error)
            raise

    try:
        start(body)
    except Exception:
        # What the server says of work that is done is no failure of the work.
        if not began:
            work()
    if failed:
        raise failed[0]


def run_flow(name: str, run: Run, steps: tuple[Step, ...]) -> None:
    """Run steps as a flow with a task a step, and leave its artifacts with the server."""

    def work() -> None:
        run_steps(run, steps, as_task)
        _once(lambda body: body(), lambda: _artifacts(run))

    as_flow(name, work)


def _artifacts(run: Run) -> None:
    """What was taken in, and the week's norms, for those who look at the server."""
    if run.intake is not None and (run.intake.new_drops or run.intake.open_codes):
        create_markdown_artifact(_intake_words(run), key="intake")
    norms = run.facility.published / "coach" / "norms.csv"
    if "publish" in run.done and norms.is_file():
        rows = pl.read_csv(norms, infer_schema=False, n_rows=_MOST_ROWS)
        create_table_artifact(rows.to_dicts(), key="norms", description=f"Norms as of {run.last_day}")


def _intake_words(run: Run) -> str:
    report = run.intake
    assert report is not None
    counts = ("lines", "loaded", "held", "repeated", "superseding", "skipped")
    said = [f"{report.new_drops} new file(s)."]
    if report.files.height:
        said.append(", ".join(f"{int(report.files[name].sum()):,} {name}" for name in counts) + ".")
    said += [f"- {count} open: {code}" for code, count in report.open_codes.items()]
    return "\n".join(said)


def _quiet(text: str) -> None:
    """Nobody reads what a scheduled run says; the log of runs has it."""


@flow(name=NIGHTLY)
def nightly(facility: str) -> None:
    """Everything that has changed since it was computed last, and what holds of people today."""
    run = new_run(Path(facility), "nightly", _quiet)
    run_steps(run, refresh_steps(), as_task)
    _artifacts(run)


@flow(name=WEEKLY)
def weekly(facility: str) -> None:
    """The same, and the edition of the week that has closed."""
    # A run may begin some milliseconds before its time, and before midnight the week is another one.
    time.sleep(_AFTER_SECONDS)
    run = new_run(Path(facility), "weekly", _quiet)
    run_steps(run, (*refresh_steps(), *weekly_steps()), as_task)
    _artifacts(run)

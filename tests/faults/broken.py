"""Ways to break the pipeline on purpose: a check that can't fail checks nothing. Called in a child alone."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from pipeline import run as running
from pipeline.intake import intake
from pipeline.intake.archive import CannotRead
from pipeline.intake.settle import Stamp
from pipeline.run import Run, Step
from pipeline.warehouse.store import Warehouse


def no_transaction() -> None:
    """Every statement is committed by itself."""

    @contextmanager
    def transaction(_: Warehouse) -> Iterator[None]:
        yield

    Warehouse.transaction = transaction  # type: ignore[method-assign]


def inbox_first() -> None:
    """Files leave the inbox before the index names them."""
    into_archive = intake._stored

    def stored(folder: Path, path: Path) -> tuple[str, int, Stamp] | CannotRead:
        kept = into_archive(folder, path)
        path.unlink()
        return kept

    intake._stored = stored


def stamp_first() -> None:
    """A step is written down as done before it is, and nobody looks whether what it wrote is there."""
    perform = running._perform

    def perform_stamped(run: Run, step: Step) -> None:
        if step.when != "always":
            run.warehouse.set_meta(f"step {step.name}", running._inputs(run, step))
        perform(run, step)

    def has_to_do(run: Run, step: Step) -> bool:
        return run.warehouse.meta(f"step {step.name}") != running._inputs(run, step)

    running._perform, running._has_to_do = perform_stamped, has_to_do

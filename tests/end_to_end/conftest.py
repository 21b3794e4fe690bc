"""The demo and other whole runs, each made once for all test processes and only read by the tests."""

from __future__ import annotations

import os
import shutil
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

import pytest
from filelock import FileLock

from sample_exports.generator.build import DEFAULT_SEED, build, scramble
from tests.end_to_end.runs import DEMO_CONFIG, ROOT, copy_of, done, facility, pip

Shared = Callable[[str, Callable[[Path], None]], Path]


@dataclass(frozen=True)
class Made:
    """A facility that was run, the truth about what was dropped in it, and its layouts."""

    facility: Path
    truth: Path
    layouts: Path


@pytest.fixture(scope="session")
def shared(tmp_path_factory: pytest.TempPathFactory, worker_id: str) -> Shared:
    """A folder that is made once, whichever test process asks first."""
    base = tmp_path_factory.getbasetemp()
    root = base if worker_id == "master" else base.parent

    def folder(name: str, make: Callable[[Path], None]) -> Path:
        with FileLock(root / f"{name}.lock"):
            target = root / f"shared-{name}"
            if not target.exists():
                part = root / f"part-{name}"
                shutil.rmtree(part, ignore_errors=True)
                part.mkdir()
                make(part)
                part.rename(target)
        return target

    return folder


@pytest.fixture(scope="session")
def demo(shared: Shared) -> Path:
    """The demo, run. Only to be read."""

    def make(folder: Path) -> None:
        before = os.umask(0o022)  # as on most machines: what is private is so by its own rights
        try:
            done("demo", folder / "demo")
        finally:
            os.umask(before)

    return shared("demo", make) / "demo"


@pytest.fixture
def demo_copy(demo: Path, tmp_path: Path) -> Path:
    """The demo, run, in a folder that a test may change."""
    return copy_of(demo, tmp_path / "demo")


@pytest.fixture(scope="session")
def made_demo(shared: Shared, demo: Path) -> Made:
    """The demo with its truth."""

    def make(folder: Path) -> None:
        build(DEFAULT_SEED, folder / "out", folder / "truth")

    return Made(demo, shared("truth", make) / "truth", DEMO_CONFIG / "layouts")


@pytest.fixture(scope="session")
def made_other(shared: Shared) -> Made:
    """Another seed through the demo's layouts, taken in."""

    def make(folder: Path) -> None:
        build(DEFAULT_SEED + 1, folder / "out", folder / "truth")
        done("intake", facility(folder / "facility", folder / "out"))

    made = shared("other", make)
    return Made(made / "facility", made / "truth", DEMO_CONFIG / "layouts")


@pytest.fixture(scope="session")
def made_changed(shared: Shared) -> Made:
    """A third seed through formats with all names, order, units and delimiters changed, taken in."""

    def make(folder: Path) -> None:
        scramble(DEFAULT_SEED + 2, folder / "out", folder / "truth", folder / "layouts")
        done("intake", facility(folder / "facility", folder / "out", folder / "layouts"))

    made = shared("changed", make)
    return Made(made / "facility", made / "truth", made / "layouts")


@pytest.fixture(scope="session")
def installed(shared: Shared) -> Path:
    """The wheel built from the checkout, unpacked into a folder of its own; nothing is downloaded."""

    def make(folder: Path) -> None:
        offline = ("--no-deps", "--no-index")
        pip("wheel", ROOT, *offline, "--no-build-isolation", "--wheel-dir", folder / "wheels")
        [wheel] = (folder / "wheels").iterdir()
        assert wheel.name.endswith("-py3-none-any.whl")
        pip("install", wheel, *offline, "--no-compile", "--target", folder / "installed")

    return shared("wheel", make) / "installed"

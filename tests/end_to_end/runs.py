"""Ways to run yardmark in tests: in this process, or as a process of its own; and facilities to run it on."""

from __future__ import annotations

import contextlib
import io
import json
import os
import shutil
import subprocess
import sys
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from pipeline.cli import main

ROOT = Path(__file__).resolve().parents[2]
PIP = (sys.executable, "-m", "pip", "--disable-pip-version-check", "--quiet")
FAR = "import sys; sys.path.insert(0, sys.argv.pop(1)); from pipeline.cli import main; sys.exit(main())"
DEMO_CONFIG = ROOT / "config" / "demo"


@dataclass(frozen=True)
class Ended:
    """How a command ended."""

    status: int
    out: str
    err: str

    @property
    def report(self) -> dict[str, Any]:
        """The one JSON object on stdout."""
        found = json.loads(self.out)
        assert isinstance(found, dict)
        return found


def here(*arguments: object) -> Ended:
    """Run a command in this process."""
    out, err = io.StringIO(), io.StringIO()
    with contextlib.redirect_stdout(out), contextlib.redirect_stderr(err):
        try:
            status = main([str(one) for one in arguments])
        except SystemExit as left:
            status = int(left.code or 0)
    return Ended(status, out.getvalue(), err.getvalue())


def done(*arguments: object) -> Ended:
    """Run a command in this process that has to end well."""
    ended = here(*arguments)
    assert ended.status == 0, ended.err
    return ended


def process(
    *arguments: object,
    cwd: Path | None = None,
    by: tuple[str, ...] = (),
    env: Mapping[str, str] | None = None,
) -> Ended:
    """Run a command as a process of its own, by `python -m pipeline.cli` or another program."""
    program = by or (sys.executable, "-m", "pipeline.cli")
    ran = subprocess.run(
        [*program, *(str(one) for one in arguments)],
        cwd=cwd or ROOT,
        env={**os.environ, **(env or {})},
        capture_output=True,
        encoding="utf-8",
        timeout=120,
        check=False,
    )
    assert "Traceback" not in ran.stderr + ran.stdout, ran.stderr
    return Ended(ran.returncode, ran.stdout, ran.stderr)


def facility(folder: Path, exports: Path, layouts: Path | None = None) -> Path:
    """The demo's facility with other exports in its inbox, and with other layouts where they are given."""
    shutil.copytree(DEMO_CONFIG, folder / "config")
    if layouts is not None:
        shutil.rmtree(folder / "config" / "layouts")
        shutil.copytree(layouts, folder / "config" / "layouts")
    (folder / "inbox").mkdir()
    for device in sorted(path for path in exports.iterdir() if path.is_dir()):
        shutil.copytree(device, folder / "inbox" / device.name)
    return folder


def tables_of(folder: Path, endings: tuple[str, ...]) -> dict[str, bytes]:
    """What is published below `folder` in files of these endings, by path."""
    published = folder / "published"
    found = (path for path in sorted(published.rglob("*")) if path.suffix in endings)
    return {path.relative_to(published).as_posix(): path.read_bytes() for path in found}


def copy_of(facility_folder: Path, to: Path) -> Path:
    """A facility folder copied, for a test that changes it; without what a running command puts there."""
    passing = shutil.ignore_patterns("*.lock", "*.owner", "*.wal", "*.part", "*.tmp")
    return Path(shutil.copytree(facility_folder, to, ignore=passing))


def pip(*arguments: object) -> None:
    ran = subprocess.run(
        [*PIP, *(str(one) for one in arguments)], capture_output=True, encoding="utf-8", check=False
    )
    assert ran.returncode == 0, ran.stderr


def far_from(installed: Path, cwd: Path, *arguments: object) -> Ended:
    """A command of the installed package, in isolated mode: neither checkout nor PYTHONPATH is looked at."""
    program, env = far_program(installed)
    return process(*arguments, cwd=cwd, by=program, env=env)


def far_program(installed: Path) -> tuple[tuple[str, ...], dict[str, str]]:
    """The installed package as a program, and the environment to run it in."""
    clean = {key: text for key, text in os.environ.items() if not key.startswith("PYTHON")}
    # -S would lose the dependencies; the editable install of the checkout comes after the wheel on the path.
    return (sys.executable, "-I", "-c", FAR, str(installed)), clean

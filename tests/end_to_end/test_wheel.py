"""An installed wheel does the whole job with the checkout gone."""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path

import pytest

from sample_exports.generator.build import device_folders
from tests.end_to_end.conftest import Shared
from tests.end_to_end.runs import ROOT, Ended, process, tables_of

PIP = (sys.executable, "-m", "pip", "--disable-pip-version-check", "--quiet")
FAR = "import sys; sys.path.insert(0, sys.argv.pop(1)); from pipeline.cli import main; sys.exit(main())"

WHERE = """import sys; sys.path.insert(0, sys.argv[1])
import pipeline.facility.packaged as packaged, schemas
for place in (packaged.data_folder("config"), packaged.data_folder("sample_exports"), schemas.__file__):
    print(place)"""


def pip(*arguments: object) -> None:
    ran = subprocess.run(
        [*PIP, *(str(one) for one in arguments)], capture_output=True, encoding="utf-8", check=False
    )
    assert ran.returncode == 0, ran.stderr


@pytest.fixture(scope="module")
def installed(shared: Shared) -> Path:
    """The wheel built from the checkout, unpacked into a folder of its own; nothing is downloaded."""

    def make(folder: Path) -> None:
        offline = ("--no-deps", "--no-index")
        pip("wheel", ROOT, *offline, "--no-build-isolation", "--wheel-dir", folder / "wheels")
        [wheel] = (folder / "wheels").iterdir()
        assert wheel.name.endswith("-py3-none-any.whl")
        pip("install", wheel, *offline, "--no-compile", "--target", folder / "installed")

    return shared("wheel", make) / "installed"


def far_from(installed: Path, cwd: Path, *arguments: object) -> Ended:
    """A command of the installed package, in isolated mode: neither checkout nor PYTHONPATH is looked at."""
    clean = {key: text for key, text in os.environ.items() if not key.startswith("PYTHON")}
    # -S would lose the dependencies; the editable install of the checkout comes after the wheel on the path.
    return process(installed, *arguments, cwd=cwd, by=(sys.executable, "-I", "-c", FAR), env=clean)


def test_the_wheel_carries_what_it_needs_and_nothing_else(installed: Path):
    packed = {path.relative_to(installed).as_posix() for path in installed.rglob("*") if path.is_file()}
    tops = {name.split("/")[0] for name in packed}
    assert {"pipeline", "schemas"} <= tops
    assert tops - {"pipeline", "schemas", "bin"} == {next(top for top in tops if top.endswith(".dist-info"))}
    for name in ("config/facility.toml", "config/demo/athletes.csv", "config/layouts/README.md"):
        assert f"pipeline/_data/{name}" in packed
    samples = ROOT / "sample_exports"
    exports = {
        path.relative_to(ROOT).as_posix()
        for device in device_folders()
        for path in (samples / device).iterdir()
    }
    assert len(exports) > 100 and {f"pipeline/_data/{name}" for name in exports} <= packed
    assert "schemas/metrics.toml" in packed
    assert not any(name.startswith(("pipeline/_data/tests", "tests")) for name in packed)


def test_the_installed_wheel_runs_the_demo_in_an_empty_folder(installed: Path, tmp_path: Path, demo: Path):
    where = subprocess.run(
        [sys.executable, "-I", "-c", WHERE, str(installed)],
        capture_output=True, encoding="utf-8", check=True, cwd=tmp_path,
    )  # fmt: skip
    assert all(Path(line).is_relative_to(installed) for line in where.stdout.splitlines())
    ended = far_from(installed, tmp_path, "demo")
    assert ended.status == 0, ended.err
    assert "norms.xlsx" in ended.out
    mine, checkout = tables_of(tmp_path / "demo", (".parquet",)), tables_of(demo, (".parquet",))
    # Files are known by path, size, time and content, and say when they came: those tables may differ.
    dated = ("tables/files.parquet", "tables/superseded_rows.parquet")
    assert mine.keys() == checkout.keys()
    assert [name for name in mine if mine[name] != checkout[name] and name not in dated] == []
    assert far_from(installed, tmp_path, "init", "hall").status == 0
    assert far_from(installed, tmp_path, "check", "hall").status == 0
    shown = far_from(installed, tmp_path, "sql", "demo", "SELECT count(*) AS n FROM norms", "--json")
    assert shown.report["rows"][0]["n"] > 1_000

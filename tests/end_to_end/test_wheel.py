"""An installed wheel does the whole job with the checkout gone."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

from sample_exports.generator.build import device_folders
from tests.end_to_end.runs import ROOT, far_from, tables_of

WHERE = """import sys; sys.path.insert(0, sys.argv[1])
import pipeline.facility.packaged as packaged, schemas
for place in (packaged.data_folder("config"), packaged.data_folder("sample_exports"), schemas.__file__):
    print(place)"""


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

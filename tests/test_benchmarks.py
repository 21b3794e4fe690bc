"""The benchmarks run, tiny: what they measure is said by them, and asserted nowhere."""

from __future__ import annotations

from pathlib import Path

import pytest

from tests.benchmarks.intake import curve, large_file, many_files


def test_the_benchmarks_run(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    many_files(tmp_path, 3)
    curve(tmp_path, [0, 1_000], rows=10, times=1)
    large_file(tmp_path, 1)
    said = capsys.readouterr().out
    assert "3 files of 30 rows" in said
    assert "1,000 rows stored" in said
    assert "ratio" in said

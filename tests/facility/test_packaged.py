"""Shipped data: beside the package in a checkout, inside it when installed."""

from __future__ import annotations

from pathlib import Path

import pytest

from pipeline.facility import packaged


def test_an_installed_package_has_it_inside(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    package = tmp_path / "pipeline"
    monkeypatch.setattr(packaged, "_PACKAGE", package)
    with pytest.raises(FileNotFoundError, match="config"):
        packaged.data_folder("config")
    (tmp_path / "config").mkdir()  # another package's, or nobody's
    (package / "_data" / "config").mkdir(parents=True)
    assert packaged.data_folder("config") == package / "_data" / "config"
    (tmp_path / "pyproject.toml").touch()
    assert packaged.data_folder("config") == tmp_path / "config"

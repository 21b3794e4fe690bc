"""The exports of the default seed, of another, and through changed layouts, each made once."""

import csv
import sys
from dataclasses import dataclass
from functools import cache
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parents[2]
sys.path.insert(0, str(ROOT))

from sample_exports.generator.build import DEFAULT_SEED, build, scramble  # noqa: E402 (needs the path above)


@cache
def read_table(path: Path) -> list[dict[str, str]]:
    """The lines of a CSV file, read once."""
    with path.open(encoding="utf-8", newline="") as file:
        return list(csv.DictReader(file))


@dataclass(frozen=True)
class Made:
    """One making of the sample set."""

    out: Path
    truth: Path
    layouts: Path

    def table(self, name: str) -> list[dict[str, str]]:
        """A table of the truth."""
        return read_table(self.truth / name)

    def files(self) -> dict[str, bytes]:
        """The exports, by path."""
        found = (path for path in self.out.rglob("*") if path.is_file())
        return {path.relative_to(self.out).as_posix(): path.read_bytes() for path in found}


@pytest.fixture(scope="session")
def committed() -> Path:
    return ROOT / "sample_exports"


@pytest.fixture(scope="session")
def made(tmp_path_factory: pytest.TempPathFactory) -> Made:
    folder = tmp_path_factory.mktemp("made")
    build(DEFAULT_SEED, folder / "out", folder / "truth")
    return Made(folder / "out", folder / "truth", ROOT / "config" / "demo" / "layouts")


@pytest.fixture(scope="session")
def other(tmp_path_factory: pytest.TempPathFactory) -> Made:
    folder = tmp_path_factory.mktemp("other")
    build(DEFAULT_SEED + 1, folder / "out", folder / "truth")
    return Made(folder / "out", folder / "truth", ROOT / "config" / "demo" / "layouts")


@pytest.fixture(scope="session")
def changed(tmp_path_factory: pytest.TempPathFactory) -> Made:
    folder = tmp_path_factory.mktemp("changed")
    scramble(DEFAULT_SEED, folder / "out", folder / "truth", folder / "layouts")
    return Made(folder / "out", folder / "truth", folder / "layouts")

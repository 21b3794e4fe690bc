"""The short form of `python -m tests.soak`."""

from __future__ import annotations

import os
from pathlib import Path

import pytest

from tests.soak import soak

# What a run leaves behind in its allocators differs by some ten MiB from minute to minute.
ROOM_MIB = 60


@pytest.mark.skipif(os.name != "posix", reason="signals and `ps`")
def test_a_watcher_does_not_grow_with_what_it_takes_in(installed: Path, tmp_path: Path):
    found = soak(installed, tmp_path, seconds=45, every=0.5)
    assert found.taken == found.dropped > 30
    middle, last = found.thirds()
    assert last < middle + ROOM_MIB, (middle, last, found.resident_kb)

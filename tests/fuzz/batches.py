"""Batches of damaged exports taken in together as the pipeline does, and what to show where the law broke."""

from __future__ import annotations

import os
import shutil
import tempfile
import traceback
from collections.abc import Callable, Iterator, Mapping
from contextlib import contextmanager
from pathlib import Path
from random import Random
from unittest.mock import patch

from pipeline.facility.folder import Facility, load_facility
from pipeline.intake.intake import take_in
from pipeline.warehouse.store import Warehouse, open_warehouse
from tests.fuzz.damage import damaged
from tests.fuzz.exports import samples
from tests.fuzz.law import complaints

Files = dict[str, bytes]
"""Path below the inbox -> bytes."""
Look = Callable[[Facility], list[str]]


@contextmanager
def without_syncing() -> Iterator[None]:
    """fsync does nothing meanwhile: what a power cut leaves is tested elsewhere."""
    with patch.object(os, "fsync", lambda handle: None):
        yield


def damaged_files(hall: Path, seed: int, number: int, count: int) -> Files:
    """The files of a batch: the same for the same seed, number and count."""
    files: Files = {}
    every = samples(hall)
    for i in range(count):
        random = Random(f"{seed}/{number}/{i}")
        sample = random.choice(every)
        # What the file's name ends in may be a value of its rows.
        files[f"{sample.folder}/{i:05d}_{sample.name}"] = damaged(sample, random)
    return files


def broken(files: Files, hall: Path, look: Look = lambda facility: []) -> list[str]:
    """Take these files in, half of them at a time, into a copy of the hall; what does not hold then.

    `look`: what else is looked at afterwards.
    """
    with tempfile.TemporaryDirectory(prefix="yardmark-fuzz-") as place, without_syncing():
        copy = Path(place) / "hall"
        shutil.copytree(hall, copy)
        facility = load_facility(copy)
        paths = list(files)
        try:
            with open_warehouse(facility.warehouse_file) as warehouse:
                for half in (paths[::2], paths[1::2]):
                    take(facility, warehouse, {path: files[path] for path in half})
                found = complaints(facility, warehouse, files)
            return found + look(facility)
        except BaseException as error:  # a panic of a library in Rust is no Exception
            if isinstance(error, KeyboardInterrupt):
                raise
            return ["".join(traceback.format_exception(error))]


def take(facility: Facility, warehouse: Warehouse, files: Mapping[str, bytes]) -> None:
    """Drop files and take them in."""
    for path, data in files.items():
        file = facility.inbox / path
        file.parent.mkdir(parents=True, exist_ok=True)
        file.write_bytes(data)
    report = take_in(facility, warehouse, lambda text: None)
    assert not report.waiting, report.waiting


def fewest(files: Files, is_broken: Callable[[Files], bool]) -> Files:
    """As few of these files as still break something, found by leaving ever smaller parts out."""
    paths, parts = list(files), 2
    while len(paths) > 1:
        size = -(-len(paths) // parts)
        for start in range(0, len(paths), size):
            rest = paths[:start] + paths[start + size :]
            if rest and is_broken({path: files[path] for path in rest}):
                paths, parts = rest, max(2, parts - 1)
                break
        else:
            if size == 1:
                break
            parts = min(len(paths), parts * 2)
    return {path: files[path] for path in paths}


def write_case(folder: Path, files: Files, found: list[str], told: str) -> Path:
    """Write files that broke something, with what broke and how they were made; the folder of the case."""
    folder.mkdir(parents=True, exist_ok=True)
    for path, data in files.items():
        file = folder / path
        file.parent.mkdir(parents=True, exist_ok=True)
        file.write_bytes(data)
    (folder / "found.txt").write_text("\n".join([told, *found]), encoding="utf-8", errors="replace")
    return folder

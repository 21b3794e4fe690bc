"""What a result was made from, as short hashes: equal hashes need no work.

A step is done again only where its code, the tables it reads, or the parts of the config it uses have
changed since it was done last; so an extra run costs next to nothing and changes nothing.
"""

from __future__ import annotations

import json
from collections.abc import Mapping
from functools import cache
from hashlib import md5
from importlib.metadata import version
from pathlib import Path

import polars as pl

import pipeline
import schemas
from pipeline.facility.folder import Facility
from pipeline.intake.answers import read_answers

# Settings that decide when something happens, and never what comes of it.
_WHEN_ONLY = {"schedule", "settle_seconds", "settle_unfinished_seconds", "state_dir", "max_file_mb"}


def digest(*texts: str) -> str:
    """The first 16 hex digits of the MD5 of some texts, kept apart."""
    found = md5(usedforsecurity=False)
    for text in texts:
        found.update(f"{len(text)}:".encode())
        found.update(text.encode("utf-8", "surrogatepass"))
    return found.hexdigest()[:16]


@cache
def code_version() -> str:
    """The version of yardmark, and a hash of its source: another code may give other numbers."""
    found = md5(pl.__version__.encode(), usedforsecurity=False)
    for package in (pipeline, schemas):
        root = Path(str(package.__file__)).parent
        for path in sorted(root.rglob("*")):
            if path.suffix in (".py", ".toml") and "_data" not in path.parts:
                found.update(path.relative_to(root).as_posix().encode())
                found.update(path.read_bytes())
    return f"{version('yardmark')}+{found.hexdigest()[:12]}"


def content_stamp(frame: pl.DataFrame) -> str:
    """A hash of a frame's rows, whatever their order."""
    if frame.is_empty():
        return digest("no rows")
    hashes = frame.hash_rows().to_numpy()
    # Sums of whole numbers that wrap around: the order of rows does not matter.
    return digest(str(frame.height), str(hashes.sum()), str((hashes * hashes).sum()))


def config_stamps(facility: Facility) -> dict[str, str]:
    """A hash of each part of the config that steps use: people, settings, metrics, testing_days, answers."""
    people = (facility.athletes, facility.periods, facility.events, facility.people.consents)
    joins = repr(facility.records.series_joins.select("metric", "label", "joined_to").rows())
    settings = facility.settings.model_dump(mode="json", exclude=_WHEN_ONLY)
    return {
        "people": digest(*(json.dumps(frame.to_dicts(), default=str) for frame in people)),
        "settings": digest(json.dumps(settings, sort_keys=True)),
        "metrics": digest(repr(facility.metrics), repr(facility.records.lms_tables.rows()), joins),
        "testing_days": digest(json.dumps(facility.testing_days.to_dicts(), default=str)),
        "answers": digest(repr(read_answers(facility.config))),
    }


def inputs_stamp(step: str, tables: Mapping[str, str], used: Mapping[str, str]) -> str:
    """A hash of all that a step is made from: the code, the stamps of its tables, and what else it uses."""
    return digest(code_version(), step, json.dumps([tables, used], sort_keys=True))

"""Traces as Parquet: a folder a set, a folder a month in it, so that a reader takes only what it needs."""

from __future__ import annotations

import shutil
from collections.abc import Mapping
from pathlib import Path

import polars as pl

from pipeline.publish.files import put, remove_others
from pipeline.publish.flat import parquet_connection, parquet_writer
from schemas.tables import TABLES


def publish_sample_sets(folder: Path, sets: Mapping[str, pl.DataFrame]) -> dict[str, list[Path]]:
    """Write `<folder>/<set>/month=YYYY-MM/samples.parquet` for each set; the files of each, by month.

    `sets`: name -> the set's columns and `month`. Months that have no samples any more are removed, and so is
    a file that was not replaced because somebody read it.
    """
    written: dict[str, list[Path]] = {}
    with parquet_connection() as connection:
        for name, samples in sets.items():
            table = TABLES[name]
            months = samples.partition_by("month", as_dict=True, include_key=False)
            written[name] = []
            for (month,), rows in sorted(months.items()):
                place = folder / name / f"month={month}"
                place.mkdir(parents=True, exist_ok=True)
                path = put(place / "samples.parquet", parquet_writer(connection, table, rows.sort(table.key)))
                remove_others(place, (".parquet",), {path.name})
                written[name].append(path)
            _remove_months(folder / name, {path.parent.name for path in written[name]})
    return written


def _remove_months(folder: Path, kept: set[str]) -> None:
    for place in folder.glob("month=*"):
        if place.name not in kept:
            shutil.rmtree(place, ignore_errors=True)

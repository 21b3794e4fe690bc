"""Frames that are made when they are asked for."""

from __future__ import annotations

import os
from functools import partial
from pathlib import Path

import polars as pl
import pytest

from pipeline.publish.database import in_pieces, small_database
from pipeline.publish.frames import Lazily, in_order, published_tables
from schemas.frames import empty


def test_a_frame_is_made_each_time_it_is_asked_for_and_only_then() -> None:
    asked: list[str] = []

    def make(name: str) -> pl.DataFrame:
        asked.append(name)
        return pl.DataFrame({"name": [name]})

    frames = Lazily({name: partial(make, name) for name in ("one", "two")})
    assert list(frames) == ["one", "two"] and "two" in frames and "three" not in frames and len(frames) == 2
    assert not asked
    assert frames["two"].item() == "two" and frames["two"].item() == "two"
    assert asked == ["two", "two"]


def test_putting_frames_in_order_asks_for_none_of_them() -> None:
    def never() -> pl.DataFrame:
        raise AssertionError("nobody needs this frame yet")

    made = {table.name: partial(empty, table) for table in published_tables()}
    ready = in_order(Lazily(made | {"norms": never}))
    assert ready["results"].is_empty()
    with pytest.raises(AssertionError):
        ready["norms"]


def test_rows_for_the_database_are_all_there_in_pieces_of_one_size_however_they_came() -> None:
    rows = pl.DataFrame({"n": range(300_000), "text": ["a", None, "é"] * 100_000})
    broken = pl.concat([rows.head(7), rows.slice(7, 200_000), rows.slice(200_007)], rechunk=False)
    for frame in (rows, broken):
        batches = list(in_pieces(frame))
        assert [batch.num_rows for batch in batches] == [122_880, 122_880, 54_240]
        assert pl.concat([pl.DataFrame(pl.from_arrow(batch)) for batch in batches]).equals(rows)
    assert in_pieces(rows.clear()).read_all().num_rows == 0


def test_what_does_not_fit_into_memory_goes_to_a_folder_of_the_owner_alone_and_is_gone_at_the_end() -> None:
    with small_database(threads=1) as connection:
        [(told,)] = connection.execute("SELECT current_setting('temp_directory')").fetchall()
        beyond = Path(told)
        assert os.name != "posix" or beyond.stat().st_mode & 0o077 == 0
        connection.execute("SET memory_limit = '50MB'")
        connection.execute(
            "CREATE TABLE large AS SELECT repeat(md5(i::VARCHAR), 10) FROM range(400_000) r(i)"
        )
        assert sum(file.stat().st_size for file in beyond.iterdir()) > 10_000_000
    assert not beyond.exists()

"""Editions: written once, and what each tells otherwise than the one before."""

from __future__ import annotations

import stat
from datetime import timedelta
from pathlib import Path

import polars as pl
import pytest

from pipeline.publish.edition import edition_of, publish_edition
from schemas.catalogue import CATALOGUE
from tests.publish.conftest import MONDAY, told_of

Frames = dict[str, pl.DataFrame]
NEXT = MONDAY + timedelta(days=7)


def write(folder: Path, frames: Frames, people: pl.DataFrame, later: bool = False) -> list[Path]:
    """An edition; the later one has a renewed test, lacks a group, and tells of one that was left out."""
    told = told_of(frames)
    if later:
        jump = pl.col("series_id") == "s_height"
        everybody, runners = (pl.col("population_id") == group for group in ("p_all", "p_run"))
        norms = told["norms"].with_columns(
            week=pl.lit(NEXT),
            norms_version=pl.lit("2025/26-later"),
            mean=pl.when(jump & everybody).then(36.0).otherwise("mean"),
            numbers_of=pl.when(jump & everybody).then(pl.lit(NEXT)).otherwise("numbers_of"),
            is_told=pl.col("is_told") | runners,
        )
        told = told | {"norms": norms.filter(pl.col("series_id") != "s_10")}
    week = NEXT if later else MONDAY
    return publish_edition(folder, week, frames | told, people, "metric", "Hall", CATALOGUE, {})


def test_an_edition_says_what_it_tells_otherwise_than_the_one_before(
    frames: Frames, people: pl.DataFrame, tmp_path: Path
) -> None:
    assert len(write(tmp_path, frames, people)) == 2  # there is none before the first
    files = write(tmp_path, frames, people, later=True)
    assert [path.name for path in files] == [
        "changes_2026-03-09_2025-26-later.csv",
        "norms_2026-03-09_2025-26-later.xlsx",
        "norms_2026-03-09_2025-26-later.csv",
    ]
    assert {stat.S_IMODE(path.stat().st_mode) for path in files} == {0o444}
    changes = pl.read_csv(files[0])
    states = {tuple(key): state for *key, state in changes.select("sex", "group", "metric", "state").rows()}
    assert states == {
        ("female", "everyone", "jump_height"): "renewed",
        ("female", "rowing", "jump_height"): "same",
        ("female", "running", "jump_height"): "new",
        ("female", "everyone", "body_mass"): "same",
        ("male", "everyone", "sprint_time"): "gone",
    }
    row = changes.filter(state="renewed").row(0, named=True)
    assert (row["mean_before"], row["mean_now"]) == pytest.approx((34.0, 36.0))
    assert (row["week_before"], row["week_now"]) == ("2026-03-02", "2026-03-09")
    assert (row["numbers_of_before"], row["numbers_of_now"]) == ("2026-02-23", "2026-03-09")


def test_an_edition_is_known_by_its_week(frames: Frames, people: pl.DataFrame, tmp_path: Path) -> None:
    files = write(tmp_path, frames, people)
    assert edition_of(tmp_path, MONDAY) == files
    assert edition_of(tmp_path, NEXT) == []
    of_before = frames | told_of(frames)
    assert publish_edition(tmp_path, NEXT, of_before, people, "metric", "Hall", CATALOGUE, {}) == []

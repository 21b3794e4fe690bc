"""Whole groups at once and one by one: two ways to the same fates."""

from __future__ import annotations

from datetime import timedelta
from unittest.mock import patch

import polars as pl
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from pipeline.intake import history, placing
from pipeline.intake.placing import fact_columns
from schemas.families import FAMILIES
from tests.intake.facility_maker import Bench, run
from tests.intake.test_law import dropped

bench = Bench()


@given(st.lists(dropped, min_size=1, max_size=4, unique_by=lambda file: file[1]))
@settings(max_examples=10, deadline=timedelta(seconds=10), suppress_health_check=[HealthCheck.too_slow])
def test_the_quick_way_gives_what_the_slow_way_gives(files: list[tuple[str, str]]) -> None:
    quick = bench.resolve(*files).resolved.tables
    with patch.object(placing, "_is_simple", lambda: pl.lit(False)):
        slow = bench.resolve(*files).resolved.tables
    # As if the hashes of all keys were equal.
    everything = patch.object(placing, "shared", lambda key: pl.lit(True))
    with everything, patch.object(history, "shared", lambda key: pl.lit(True)):
        compared = bench.resolve(*files).resolved.tables
    for name, frame in quick.items():
        assert _sorted(name, frame).equals(_sorted(name, slow[name])), name
        assert _sorted(name, frame).equals(_sorted(name, compared[name])), name


def _sorted(name: str, frame: pl.DataFrame) -> pl.DataFrame:
    """Slots have no order; the other tables have one."""
    return frame.sort("session_id") if name == "_session_slots" else frame


def test_what_describes_a_row_beside_its_key_and_its_values() -> None:
    assert fact_columns(FAMILIES["body_measures"]) == ["unit", "mark"]
    for family in FAMILIES.values():
        known = {*fact_columns(family), *family.natural_key, *family.values}
        assert known == {*(f.name for f in family.columns if not f.is_witness), "mark"}


def test_an_answer_on_one_file_does_not_count_for_another() -> None:
    before, after = run(split="1.83"), run(split="2.83")
    told = bench.runs(before, after, run(split="3.9"))
    assert [code for _, code in told.codes()] == ["changed_at_source"] * 2

"""A large file is read part by part, and comes to the same as one that is read at once."""

from __future__ import annotations

import hashlib
from datetime import datetime
from pathlib import Path

import polars as pl
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from pipeline.intake import drops
from pipeline.intake.archive import Drop
from pipeline.intake.drops import as_batch, large_batches, open_content, read_opened
from pipeline.intake.intake import knowledge_of
from pipeline.reading import split
from tests.intake.facility_maker import Hall, as_bytes, plain_facility, run, runs
from tests.intake.test_law import exports, jumps, weighings, wides

dropped = st.one_of(
    st.tuples(st.just("gates-1"), exports),
    st.tuples(st.just("gates-2"), wides),
    st.tuples(st.just("mat-1"), jumps),
    st.tuples(st.just("scales-1"), weighings),
    st.tuples(st.just("lost"), exports),
)


@settings(max_examples=60, deadline=None, suppress_health_check=list(HealthCheck))
@given(dropped, st.sampled_from([1, 30, 200]), st.sampled_from([b"", b"\xef\xbb\xbf"]), st.booleans())
def test_parts_come_to_the_same(file: tuple[str, str], block: int, mark: bytes, again: bool) -> None:
    facility, (folder, text) = plain_facility(), file
    data = mark + as_bytes(text)
    file_id = hashlib.sha256(data).hexdigest()
    facility.archive.mkdir(exist_ok=True)
    (facility.archive / file_id).write_bytes(data)
    places = ["lost/x.csv", f"{folder}/x.csv"] if again else [f"{folder}/x.csv"]
    at = datetime(2026, 1, 1)
    all_drops = [Drop(no, f"d{no}", file_id, place, at, len(data), at) for no, place in enumerate(places, 1)]
    known = knowledge_of(facility)
    whole = as_batch(read_opened(open_content(all_drops, facility, known), {}), "Europe/Lisbon")
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(split, "CHUNK_BYTES", block)
        patch.setattr(drops, "_START", 100)
        parts = list(large_batches(all_drops, facility, known))
    for name, frame in whole.tables.items():
        found = pl.concat([part.tables[name] for part in parts])
        order = [c for c in ("drop_no", "line", "seq", "code", "field", "why") if c in frame.columns]
        assert found.sort(order).equals(frame.sort(order)), name
    promised = pl.concat([part.promised for part in parts]).sort("drop_no", "line")
    assert promised.equals(whole.promised.sort("drop_no", "line"))


def test_a_large_file_is_taken_in_as_a_small_one(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    lines = [run(trial=n, date=f"2025-03-{1 + n % 9:02d}") for n in range(200)]
    data = runs(*lines, run(split="x", trial=7), "\n", run("Nobody", trial=8))
    small, large = Hall(tmp_path / "small"), Hall(tmp_path / "large")
    small.take(("gates-1/a.csv", data))
    monkeypatch.setattr(drops, "LARGE", 100)
    monkeypatch.setattr(split, "CHUNK_BYTES", 700)
    large.take(("gates-1/a.csv", data))
    assert large.counts() == small.counts() == [{"loaded": 200, "held": 2, "skipped": 1}]
    assert large.table("sprint_splits").equals(small.table("sprint_splits"))
    assert large.held() == small.held()

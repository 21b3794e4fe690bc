"""Which rows have to do with one another: two ways to the parts of what lies apart."""

from __future__ import annotations

from datetime import datetime
from pathlib import Path

from pipeline.intake import closure
from pipeline.intake.intake import knowledge_of
from schemas.families import FAMILIES
from tests.intake.facility_maker import Hall, run, runs
from tests.intake.test_renew import ALL_LAYOUTS


def test_rows_that_lie_apart_have_to_do_with_themselves(tmp_path: Path) -> None:
    hall = Hall(tmp_path, layouts=ALL_LAYOUTS)
    days = [f"2025-03-{day:02d}" for day in (1, 1, 2, 29, 30, 31)]
    hall.take(
        ("gates-1/a.csv", runs(*(run(date=day, time="00:30:00") for day in days))),
        ("abroad/b.csv", runs(*(run(date=day, time="23:30:00") for day in days))),
    )
    family, known = FAMILIES["timing_gates"], knowledge_of(hall.facility)
    noon, midnight = datetime(2025, 3, 1, 12), datetime(2025, 3, 30)
    with hall.look() as warehouse:
        drops = {1, 2}
        none = closure.keys_of(warehouse, family, "false", known)
        found = []
        for span in ((None, noon), (noon, midnight), (midnight, None), (None, None)):
            apart = closure._part_of(warehouse, family, drops, "true", span, known)
            whole = closure._part(warehouse, family, "true", span, drops, none, known)
            assert apart.rows.sort("drop_no", "line").equals(whole.rows.sort("drop_no", "line"))
            found.append(apart.rows.height)
    assert min(found) > 0 and sum(found[:3]) == found[3] == 12

"""Every metric of the catalogue is shown by the demo."""

from __future__ import annotations

import duckdb

from schemas.catalogue import CATALOGUE
from tests.end_to_end.conftest import Made


def values(made: Made, place: str) -> set[str]:
    with duckdb.connect(str(made.facility / "published" / place), read_only=True) as database:
        rows = database.execute("SELECT DISTINCT metric FROM results WHERE value IS NOT NULL").fetchall()
    return {metric for (metric,) in rows}


def test_each_metric_that_is_on_has_a_session_with_a_value(made_demo: Made) -> None:
    shown = values(made_demo, "yardmark.duckdb") | values(made_demo, "restricted/yardmark.duckdb")
    # A composite is of an athlete and a week, in tables of its own.
    assert {name for name, metric in CATALOGUE.items() if metric.on and metric.family != "all"} <= shown
    assert not {name for name, metric in CATALOGUE.items() if not metric.on} & shown


def test_maturity_is_in_the_restricted_file_only(made_demo: Made) -> None:
    assert "maturity_bin" in values(made_demo, "restricted/yardmark.duckdb")
    assert "maturity_bin" not in values(made_demo, "yardmark.duckdb")

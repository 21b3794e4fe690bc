"""Other tests on the way in: the unit of a row, and tests that nobody declared."""

from __future__ import annotations

from pathlib import Path

import duckdb
import polars as pl

from pipeline.facility.init import init_facility
from pipeline.intake.families.other_tests import check, undeclared
from tests.end_to_end.runs import done

LAYOUT = """\
layout = "notes"
family = "other_tests"
device = "notes"
[match]
header = ["Who", "Day", "What", "How much", "Of what"]
[columns.athlete]
from = "Who"
[columns.performed_at]
from = "Day"
format = "%Y-%m-%d"
[columns.test]
from = "What"
[columns.value]
from = "How much"
unit_from = "Of what"
"""
JUMP = """
[other_tests.broad_jump]
label = "broad jump"
unit = "cm"
decimals = 0
better = "higher"
hard = [50, 400]
soft = [100, 330]
source = "own"
"""


def test_a_row_says_the_base_unit_of_what_was_written() -> None:
    kinds = ["length", "mass", "time", "force", "torque", "speed", "power", "angle", "ratio", None]
    rows, problems = check(pl.DataFrame({"dimension": kinds}))
    assert rows["unit"].to_list() == ["m", "kg", "s", "N", "N.m", "m/s", "W", "deg", "1", None]
    assert problems.is_empty()


def test_undeclared_tests_and_units_of_another_kind_are_named() -> None:
    rows = pl.DataFrame(
        {
            "line": [2, 3, 4, 5],
            "test": ["broad_jump", "broad_jmp", "broad_jump", "piece"],
            "unit": ["m", "m", "kg", "s"],
        }
    )
    found = undeclared(rows, {"broad_jump": "cm", "piece": "s"}).sort("line")
    assert found.select("line", "code", "field", "seen").rows() == [
        (3, "undeclared_test", "test", "broad_jmp"),
        (4, "unknown_unit", "value", "kg"),
    ]
    assert "'broad_jump'" in found["reason"][0]
    assert "declared in cm" in found["reason"][1]


def test_without_any_declaration_every_test_waits() -> None:
    rows = pl.DataFrame({"line": [2], "test": ["broad_jump"], "unit": ["m"]})
    assert undeclared(rows, {})["code"].to_list() == ["undeclared_test"]


def test_declaring_a_test_and_retrying_releases_its_lines(tmp_path: Path) -> None:
    init_facility(tmp_path)
    config = tmp_path / "config"
    (config / "layouts" / "notes.toml").write_text(LAYOUT, encoding="utf-8")
    with (config / "facility.toml").open("a", encoding="utf-8") as settings:
        settings.write('\n[devices.notes]\nfamily = "other_tests"\n')
    text = (config / "facility.toml").read_text(encoding="utf-8")
    settled = text.replace("settle_seconds = 10", "settle_seconds = 0").replace(
        "settle_unfinished_seconds = 60", "settle_unfinished_seconds = 0"
    )
    (config / "facility.toml").write_text(settled, encoding="utf-8")
    (config / "athletes.csv").write_text("athlete_id,name\na1,Ana\n", encoding="utf-8")
    (tmp_path / "inbox" / "day.csv").write_text(
        'Who,Day,What,How much,Of what\nAna,2026-01-05,broad_jump,"7\'6.5""",ft_in\n'
        "Ana,2026-01-05,broad_jump,88,stone\nAna,2026-01-05,piece,6:42.3,clock\n",
        encoding="utf-8",
    )

    def held() -> list[tuple[int, str]]:
        with duckdb.connect(str(tmp_path / "warehouse" / "yardmark.duckdb"), read_only=True) as warehouse:
            query = "SELECT line, code FROM held_rows WHERE state = 'open' ORDER BY line"
            return warehouse.execute(query).fetchall()

    done("intake", tmp_path)
    assert held() == [(2, "undeclared_test"), (3, "unknown_unit"), (4, "undeclared_test")]
    (config / "metrics.toml").write_text(JUMP, encoding="utf-8")
    done("retry", tmp_path)
    assert held() == [(3, "unknown_unit"), (4, "undeclared_test")]
    with duckdb.connect(str(tmp_path / "warehouse" / "yardmark.duckdb"), read_only=True) as warehouse:
        rows = warehouse.execute("SELECT test, trial, value, unit, line FROM other_trials").fetchall()
    # 7 ft 6.5 in of 0.3048 m and 0.0254 m (yard and pound agreement of 1959).
    assert rows == [("broad_jump", 1, 90.5 * 254 / 10_000, "m", 2)]
    done("refresh", tmp_path)
    with duckdb.connect(str(tmp_path / "published" / "yardmark.duckdb"), read_only=True) as published:
        value = published.execute(
            "SELECT value, unit FROM measurements WHERE metric = 'broad_jump'"
        ).fetchone()
        label = published.execute("SELECT label FROM metrics WHERE metric = 'broad_jump'").fetchone()
    assert value is not None and abs(value[0] - 229.87) < 1e-9 and value[1] == "cm"
    assert label == ("broad jump",)

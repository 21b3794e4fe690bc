"""The README of the samples tells what was planted where: the demo did with each fault what is said there."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from fractions import Fraction
from pathlib import Path
from typing import Any

import duckdb
import pytest

from sample_exports.generator.faults.modes import MODES
from schemas.codes import CODES
from schemas.families import FAMILIES
from tests.end_to_end.runs import ROOT

README = ROOT / "sample_exports" / "README.md"
STORED = " UNION ALL BY NAME ".join(
    f"SELECT '{family.table}' AS source_table, row_id, athlete_id, session_id, flags, file_id, line, version "
    f"FROM {family.table}"
    for family in FAMILIES.values()
)


@dataclass(frozen=True)
class Planted:
    """A row of the README's table; no lines: the whole file."""

    title: str
    modes: tuple[int, ...]
    file: str
    lines: tuple[int, ...]
    code: str


def planted() -> list[Planted]:
    """The README's table of planted faults."""
    found = []
    for row in README.read_text(encoding="utf-8").splitlines():
        cells = [cell.strip(" `") for cell in row.strip("|").split("|")]
        if row.startswith("|") and len(cells) == 6 and (ROOT / "sample_exports" / cells[2]).is_file():
            title, modes, file, lines, code, _ = cells
            numbers = () if lines == "all" else tuple(int(line) for line in lines.split(","))
            found.append(Planted(title, tuple(int(mode) for mode in modes.split(",")), file, numbers, code))
    return found


FAULTS = planted()

# Faults without a code: the fate of their lines, and what must be true then of the file and line $1, $2.
# `here` are the rows that are stored from that line.
SHOWN: dict[str, tuple[str, str]] = {
    "a re-export, one value +33%": (
        "superseding",
        """SELECT count(*) = 1 FROM here JOIN superseded_rows AS s USING (row_id)
           WHERE here.version = 2 AND s.version = 1 AND s.cause = 'export'""",
    ),
    "a squat with chains": (
        "loaded",
        """SELECT bool_and(s.accommodating = 'chains') AND count(*) > 0
           FROM here JOIN measurements USING (row_id) JOIN series AS s USING (series_id)""",
    ),
    "a file dropped twice": (
        "repeated",
        """SELECT count(*) = 1 FROM _drops AS again JOIN _drops AS first USING (file_id)
           WHERE again.path = $1 AND again.state = 'repeated' AND first.state <> 'repeated'""",
    ),
    "a total at the end": ("skipped", "SELECT count(*) = 0 FROM here"),
    "a blank line": ("skipped", "SELECT count(*) = 0 FROM here"),
    "a blank line with spaces": ("skipped", "SELECT count(*) = 0 FROM here"),
    "the header again": ("skipped", "SELECT count(*) = 0 FROM here"),
    "a remark": ("skipped", "SELECT count(*) = 0 FROM here"),
    "pounds, feet and inches": ("loaded", "SELECT count(*) = 2 FROM here"),  # see the test of its own
    "a line written twice": (
        "repeated",
        "SELECT (SELECT count(*) FROM here) = 0 AND (SELECT count(*) FROM above) = 1",
    ),
    "a trial filed as another test": (
        "loaded",
        """SELECT count(*) = 1 FROM here JOIN jump_trials AS t USING (row_id)
           JOIN superseded_rows AS s USING (row_id)
           WHERE t.test = 'squat_jump' AND here.version = 2 AND s.cause = 'correction'
           AND s.row::JSON->>'test' = 'countermovement_jump'""",
    ),
    "decimal comma, tabs, UTF-16": (
        "loaded",
        "SELECT bool_and(flight_time_s BETWEEN 0.1 AND 0.9) FROM here JOIN jump_trials USING (row_id)",
    ),
    "a push in another posture": (
        "loaded",
        """SELECT bool_and(s.posture = 'kneeling') AND count(*) > 0
           FROM here JOIN measurements USING (row_id) JOIN series AS s USING (series_id)""",
    ),
    "a run exported again": (
        "repeated",
        """SELECT count(*) = 0 FROM resisted_runs AS r JOIN _drops AS d ON r.file_id = d.file_id[:16]
           WHERE d.path = $1""",
    ),
    "a bar that is taken off its hooks before the first repetition": (
        "loaded",
        """SELECT count(*) = 2 FROM here JOIN bar_sets AS s USING (row_id)
           JOIN _found_reps AS r ON r.sample_set_id = s.sample_set_id""",
    ),
    "a site left out (last line of that athlete)": (
        "loaded",
        """SELECT (SELECT count(*) FROM here) > 0 AND count(*) = 0
           FROM measurements SEMI JOIN here USING (session_id) WHERE metric = 'skinfold_sum'""",
    ),
    "folds by another measurer": (
        "loaded",
        """SELECT bool_and(s.measurer = 'TR') AND count(*) > 0
           FROM here JOIN measurements USING (row_id) JOIN series AS s USING (series_id)""",
    ),
    "a start line that moved, and wind above the header": (
        "loaded",
        """SELECT bool_and(start_offset_m = 0.3 AND wind_m_s IS NOT NULL AND surface = 'track')
           AND (SELECT bool_and(start_offset_m = 0.5) FROM sprint_splits
                WHERE device = 'gates-1' AND local_date < DATE '2025-10-01')
           FROM here JOIN sprint_splits USING (row_id)""",
    ),
    "the Sunday on which the clocks changed": (
        "loaded",
        """SELECT bool_and(local_time = performed_at_utc::TIME)
           AND (SELECT bool_and(local_time = (performed_at_utc + INTERVAL 1 HOUR)::TIME) FROM sprint_splits
                WHERE device = 'gates-2' AND local_date < DATE '2025-10-26')
           FROM here JOIN sprint_splits USING (row_id)""",
    ),
}
SHOWN["a re-export, one value +3%"] = SHOWN["a re-export, one value +33%"]


@pytest.fixture(scope="module")
def warehouse(demo: Path) -> Iterator[duckdb.DuckDBPyConnection]:
    with duckdb.connect(str(demo / "warehouse" / "yardmark.duckdb"), read_only=True) as connection:
        yield connection


@dataclass(frozen=True)
class Place:
    """A line of a file in the warehouse, or the whole file."""

    warehouse: duckdb.DuckDBPyConnection
    file: str
    line: int | None

    def ask(self, query: str) -> list[tuple[Any, ...]]:
        """`query` of the file $1 and line $2, with the rows stored from `here` and from the line `above`."""
        text = f"""WITH stored AS ({STORED}), of_file AS (
                     SELECT s.* FROM stored AS s JOIN _drops AS d ON s.file_id = d.file_id[:16]
                     WHERE d.path = $1),
                   here AS (FROM of_file WHERE line = $2), above AS (FROM of_file WHERE line = $2 - 1)
                   {query}"""
        return self.warehouse.execute(text, {"1": self.file, "2": self.line}).fetchall()

    def fates(self) -> set[str]:
        """The fate of the line, or of all lines."""
        rows = self.ask(
            """SELECT fate FROM line_fates JOIN _drops USING (drop_id) WHERE path = $1
               AND ($2 IS NULL OR $2 BETWEEN line_fates.first_line AND last_line)"""
        )
        return {fate for (fate,) in rows}

    def held(self) -> list[tuple[int | None, str, str]]:
        """What is held: line, code, state."""
        rows = self.ask(
            """SELECT line, code, h.state FROM held_rows AS h JOIN _drops AS d ON h.file_id = d.file_id[:16]
               WHERE path = $1 AND line IS NOT DISTINCT FROM $2"""
        )
        return [(line, code, state) for line, code, state in rows]


def flagged(place: Place, code: str) -> list[tuple[str, str, bool]]:
    """The values with a flag from a line, its run, or the session of the line: metric, flags, used."""
    return place.ask(
        f"""SELECT metric, flags, used FROM measurements SEMI JOIN here USING (row_id)
            WHERE list_contains(split(flags, ';'), '{code}')
            UNION ALL
            SELECT metric, flags, true FROM results SEMI JOIN here USING (session_id)
            WHERE list_contains(split(flags, ';'), '{code}')"""
    )  # type: ignore[return-value]


@pytest.mark.parametrize("fault", FAULTS, ids=lambda fault: f"{fault.title}-{fault.file}")
def test_what_the_readme_says_of_a_fault_happened(fault: Planted, warehouse: duckdb.DuckDBPyConnection):
    for line in fault.lines or (None,):
        place = Place(warehouse, fault.file, line)
        effect = CODES[fault.code].effect if fault.code in CODES else None
        if effect in ("holds_file", "holds_line"):
            assert place.held() == [(line, fault.code, "open")]
            assert place.fates() == {"held"}
            assert place.ask("FROM here") == []
        elif effect is not None:
            assert place.fates() == {"loaded"} and place.held() == []
            values = flagged(place, fault.code)
            assert values, "no value carries the code"
            if effect == "excludes":
                of_line = place.ask(
                    f"""SELECT flags, used FROM measurements SEMI JOIN here USING (row_id)
                        WHERE list_contains(split(flags, ';'), '{fault.code}')"""
                )
                assert of_line and not any(used for _, used in of_line)
        elif fault.code:
            assert fault.code == "no_values" and place.fates() == {"skipped"} and place.held() == []
        else:
            fate, query = SHOWN[fault.title]
            trailer = {"skipped"} if line is None else set()
            assert place.fates() - trailer == {fate} and place.held() == []
            assert place.ask(query) == [(True,)]


@pytest.mark.mode(41)
def test_samples_that_are_held_flag_their_run(warehouse: duckdb.DuckDBPyConnection):
    """Those of the README that lose a sample, and no other run."""
    lost = [fault for fault in FAULTS if 41 in fault.modes]
    assert len(lost) == 3
    flagged_runs = warehouse.execute(
        """SELECT path FROM resisted_runs AS r JOIN _drops AS d ON r.file_id = d.file_id[:16]
           WHERE list_contains(split(flags, ';'), 'gap') ORDER BY path"""
    ).fetchall()
    assert flagged_runs == sorted((fault.file,) for fault in lost)


@pytest.mark.mode(8)
def test_pounds_and_feet_are_held_to_the_last_digit(warehouse: duckdb.DuckDBPyConnection):
    """1 lb = 0.453 592 37 kg, 1 in = 0.0254 m: international yard and pound agreement, 1959."""
    [fault] = [fault for fault in FAULTS if 8 in fault.modes]
    [line] = fault.lines
    text = (ROOT / "sample_exports" / fault.file).read_text(encoding="utf-8").splitlines()[line - 1]
    _, _, pounds, length, _ = text.replace('""', "″").replace('"', "").split(",")
    feet, inches = length.removesuffix("″").split("'")
    said = {
        "mass": float(Fraction(pounds) * Fraction("0.45359237")),
        "stature": float((12 * Fraction(feet) + Fraction(inches)) * Fraction("0.0254")),
    }
    stored = Place(warehouse, fault.file, line).ask(
        "SELECT quantity, value FROM here JOIN body_readings USING (row_id)"
    )
    assert dict(stored) == said


@pytest.mark.mode(59)
def test_a_formula_for_a_name_is_text_in_every_sheet(demo: Path):
    """A spreadsheet that opens a sheet must not run what somebody typed as a name."""
    [fault] = [fault for fault in FAULTS if 59 in fault.modes]
    sheets = [path.read_text(encoding="utf-8-sig") for path in (demo / "held").glob("*.csv")]
    shown = [sheet for sheet in sheets if "=1+2" in sheet]
    assert fault.code == "unknown_name" and len(shown) == 2  # its own sheet and that of the names
    assert all(sheet.count("=1+2") == sheet.count("'=1+2") for sheet in shown)


def test_enough_of_what_can_go_wrong_is_planted():
    codes = {fault.code for fault in FAULTS if fault.code}
    modes = {mode for fault in FAULTS for mode in fault.modes}
    assert len(FAULTS) >= 60 and all(fault.modes for fault in FAULTS)
    assert len(codes) >= 20
    assert len(modes) >= 35
    assert modes == MODES.keys()
    page = README.read_text(encoding="utf-8")
    assert all(f"| {mode} | {MODES[mode]} |" in page for mode in modes)

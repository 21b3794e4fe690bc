"""The norms as a coach gets them: words, units, numbers, what is left out, and how the workbook prints."""

from __future__ import annotations

import re
import zipfile
from datetime import timedelta
from itertools import pairwise
from pathlib import Path
from typing import Any
from xml.etree import ElementTree

import polars as pl
import pytest
import xlsxwriter
from python_calamine import CalamineWorkbook

from pipeline.analysis.norm_tables import PERCENTILE_NEEDS
from pipeline.publish.coach import coach_norms, for_coaches, publish_norms
from pipeline.publish.page import lines_needed, print_setup
from schemas.catalogue import CATALOGUE
from tests.publish.conftest import MONDAY, made, told_of

Frames = dict[str, pl.DataFrame]
CARE = (
    "No injury risk, no clearance, no ranking; maximal tests need preparation and supervision, more so for "
    "youths and after injury; local rules and licensed people come first."
)
MAIN = "{http://schemas.openxmlformats.org/spreadsheetml/2006/main}"


@pytest.fixture
def frames(frames: Frames) -> Frames:
    """What coaches' files are made from."""
    return frames | told_of(frames)


@pytest.fixture
def write(people: pl.DataFrame, tmp_path: Path) -> Any:
    """A writer of both files into a folder; gives the lines of the CSV as they are written."""

    def publish(frames: Frames, units: str = "metric", labels: dict[str, str] | None = None) -> list[Any]:
        publish_norms(tmp_path, frames, people, units, "Example & Hall", CATALOGUE, labels or {})
        return pl.read_csv(tmp_path / "norms.csv", infer_schema=False).to_dicts()

    return publish


def _sheet(folder: Path, name: str) -> list[list[Any]]:
    return CalamineWorkbook.from_path(folder / "norms.xlsx").get_sheet_by_name(name).to_python()


def _sheets(folder: Path) -> list[str]:
    return CalamineWorkbook.from_path(folder / "norms.xlsx").sheet_names


def _read_me(folder: Path) -> list[str]:
    return [str(row[0]) for row in _sheet(folder, "Read me")]


def _many_groups(frames: Frames, n_athletes: int) -> Frames:
    """As many athletes in every group, so that nothing is left out, and all percentiles that they allow."""
    allowed = [f"p{p:02d}" for p, need in PERCENTILE_NEEDS.items() if n_athletes >= need]
    filled = {name: pl.coalesce(name, pl.col("p50") * int(name[1:]) / 50) for name in allowed}
    n = pl.lit(n_athletes, pl.Int32)
    norms = frames["norms"].filter(pl.col("mean").is_not_null())
    return frames | {"norms": norms.with_columns(n_athletes=n, is_told=True, **filled)}


def test_the_latest_week_in_words_with_fixed_decimals(frames: Frames, write: Any) -> None:
    rows = write(frames)
    assert [(row["sex"], row["ages"], row["group"], row["test"], row["n_athletes"]) for row in rows] == [
        ("female", "12 to 13", "everyone", "jump height by flight time", "45"),
        ("female", "12 to 13", "rowing", "jump height by flight time", "31"),
        ("female", "12 to 13", "running", "jump height by flight time", "10"),
        ("female", "12 to 13", "everyone", "body mass", "20"),
        ("male", "18 to 22", "everyone", "sprint time", "22"),
    ]
    first, mass, sprint = rows[0], rows[3], rows[-1]
    assert {row["week"] for row in rows} == {"2026-03-02"}
    assert first["how"] == "countermovement jump, both legs, hands on hips, no added load"
    # 34.25, an eighth of it, and 0.99 of it with 5 % about it, in steps of 5 · 4.28 / 45, up to the next 0.1
    assert (first["mean"], first["sd"], first["p50"]) == ("34.0", "4.5", "34.0")
    assert (first["p50_low"], first["p50_high"], first["p05"]) == ("32.0", "35.5", None)
    assert mass["mean"] == "70.4"  # in steps of 5 · 8.75 / 20 = 2.2
    assert (sprint["mean"], sprint["better"], sprint["how"]) == (
        "1.86", "lower", "to 10 m, standing start, electronic timing",
    )  # fmt: skip


def test_the_interval_of_a_mean_is_students(frames: Frames) -> None:
    norms = coach_norms(_many_groups(frames, 8), "metric", CATALOGUE, {})
    row = norms.filter(pl.col("metric") == "body_mass").row(0, named=True)
    # Told in steps of 5 · 8.75 / 8 = 5.5: 71.5, SD 11.0. The 95 % point of t with 7 degrees of freedom is
    # 1.895 in the tables of any statistics handbook.
    assert (row["mean"], row["sd"]) == pytest.approx((71.5, 11.0))
    half = 1.895 * 11.0 / 8**0.5
    assert (row["mean_low"], row["mean_high"]) == pytest.approx((71.5 - half, 71.5 + half), abs=0.002)


def test_coaches_get_metrics_in_their_order_without_doubles() -> None:
    names = list(for_coaches(CATALOGUE))
    assert not {"flight_time", "contact_time"} & set(names)
    assert set(CATALOGUE) - set(names) == {name for name, metric in CATALOGUE.items() if not metric.coach}
    assert names[-2:] == ["body_mass", "stature"]
    families = [CATALOGUE[name].family for name in names]
    assert sum(a != b for a, b in pairwise(families)) == len(set(families)) - 1


def test_small_groups_have_no_row_and_what_would_show_them_is_left_out_with_the_reason(
    frames: Frames, write: Any, tmp_path: Path
) -> None:
    rows = write(frames)
    assert min(int(row["n_athletes"]) for row in rows) >= 8
    by_group = {(row["sex"], row["group"], row["metric"]): row for row in rows}
    # 45 less 31 less 10 would be four athletes.
    running = by_group["female", "running", "jump_height"]
    assert [running[name] for name in ("mean", "mean_low", "sd", "p50", "p50_low")] == [None] * 5
    assert running["note"].startswith("left out: with the wider group")
    assert by_group["female", "rowing", "jump_height"]["mean"] == "34.3"
    assert "running (1 test)" in _sheet(tmp_path, "female 12 to 13 everyone")[1][0]
    assert not [name for name in _sheets(tmp_path) if "running" in name]


def test_the_note_is_short_and_says_what_comes_next(frames: Frames) -> None:
    said = {
        n: set(coach_norms(_many_groups(frames, n), "metric", CATALOGUE, {})["note"])
        for n in (8, 19, 20, 40, 100)
    }
    few = {"quartiles need 20"}
    assert said == {8: few, 19: few, 20: {"P10, P90 need 40"}, 40: {"P5, P95 need 100"}, 100: {None}}


def test_ages_are_in_their_order(frames: Frames) -> None:
    bands = pl.col("age_band").replace({"12-13": "40+", "18-22": "<=11"})
    other = frames | {"populations": frames["populations"].with_columns(age_band=bands, sex=pl.lit("male"))}
    shown = coach_norms(other, "metric", CATALOGUE, {})
    assert shown["ages"].unique(maintain_order=True).to_list() == ["up to 11", "40 and over"]


def test_customary_units_are_shown_where_the_facility_wants_them(frames: Frames, write: Any) -> None:
    rows = {(row["sex"], row["metric"], row["group"]): row for row in write(frames, "us")}
    height, mass = rows["female", "jump_height", "rowing"], rows["female", "body_mass", "everyone"]
    # NIST SP 811, appendix B: 1 in = 2.54 cm, 1 lb = 0.45359237 kg exactly.
    # Steps of 5 SD / athletes in these units, up to the next 0.1: 0.3 in and 4.9 lb.
    assert (height["unit"], height["mean"]) == ("in", f"{round(34.25 / 2.54 / 0.3) * 0.3:.1f}")
    assert (mass["unit"], mass["mean"]) == ("lb", f"{round(70 / 0.45359237 / 4.9) * 4.9:.1f}")
    assert float(mass["mean_low"]) < float(mass["mean"]) < float(mass["mean_high"])
    assert rows["male", "sprint_time", "everyone"]["unit"] == "s"


def test_a_device_is_called_by_its_label_where_it_must_be_told(frames: Frames, write: Any) -> None:
    other = frames["series"].filter(pl.col("series_id") == "s_height")
    twin = other.with_columns(series_id=pl.lit("s_twin"), method=pl.lit("mat-2"))
    again = frames["norms"].filter(series_id="s_height", population_id="p_all")
    both = frames | {
        "series": pl.concat([frames["series"], twin]),
        "norms": pl.concat([frames["norms"], again.with_columns(series_id=pl.lit("s_twin"))]),
    }
    rows = write(both, labels={"mat-1": "the hall mat"})
    how = {row["how"] for row in rows if row["metric"] == "jump_height"}
    words = "countermovement jump, both legs, hands on hips, no added load, by "
    assert how == {words + "the hall mat", words + "mat-2"}


def test_negative_numbers_stay_numbers(frames: Frames, write: Any, tmp_path: Path) -> None:
    of_mass = pl.col("metric") == "body_mass"
    signed = [pl.when(of_mass).then(-pl.col(name)).otherwise(name).alias(name) for name in ("mean", "p50")]
    rows = write(frames | {"norms": frames["norms"].with_columns(signed)})
    assert [row["mean"] for row in rows if row["metric"] == "body_mass"] == ["-70.4"]
    row = _sheet(tmp_path, "female 12 to 13 everyone")[-1]
    assert row[2:4] == [-70.4, "-73.8 to -67.0"]


def test_the_workbook_has_a_page_to_read_a_sheet_a_group_and_the_tests(
    frames: Frames, write: Any, tmp_path: Path
) -> None:
    write(frames)
    groups = ["female 12 to 13 everyone", "female 12 to 13 rowing", "male 18 to 22 everyone"]
    assert _sheets(tmp_path) == ["Read me", *groups, "Tests"]
    read_me = " ".join(_read_me(tmp_path))
    for words in (
        "Norms of Example & Hall",
        "Week of 2026-03-02 to 2026-03-08",
        "3 athletes have a result in these days. Version 2025/26-2026-03-02.",
        "P10 is a fast time",
        "Student 1908",
        "convenience sample",
        "Electronic timing removes the operator's reaction, not set-up, trigger limb, wind, identity or "
        "selection of trials.",
        CARE,
    ):
        assert words in read_me
    assert all(f"{n} " in read_me for n in PERCENTILE_NEEDS.values())
    _, care, _, *tests = _sheet(tmp_path, "Tests")
    assert care[0] == CARE
    assert [row[:3] for row in tests] == [
        ["jump height by flight time", "cm", "higher"],
        ["sprint time", "s", "lower"],
        ["body mass", "kg", ""],
    ]
    shown = [CATALOGUE[name] for name in ("jump_height", "sprint_time", "body_mass")]
    assert [row[3:] for row in tests] == [[metric.formula, metric.caution] for metric in shown]


def test_a_sheet_has_numbers_with_the_decimals_of_the_metric(
    frames: Frames, write: Any, tmp_path: Path
) -> None:
    write(frames)
    title, _, heads, head, row = _sheet(tmp_path, "female 12 to 13 rowing")
    assert title[0] == "female, 12 to 13, rowing: week of 2026-03-02"
    shown = ["Mean", "90 % interval", "SD", "P25", "P50", "90 % interval", "P75"]
    assert heads == ["Done how", "Athletes", *shown, "Week"]
    assert head[0] == "jump height by flight time [cm], higher is better"
    how = "countermovement jump, both legs, hands on hips, no added load"
    # 1.697 is the 95 % point of t with 30 degrees of freedom: 34.3 ± 1.697 x 4.2 / √31, told
    # in steps of 0.7
    assert row == [how, 31.0, 34.3, "33.0–35.6", 4.2, 30.8, 33.6, "32.2–35.7", 37.8, "2026-02-23"]
    styles, cells = _cells(tmp_path, 3)
    formats = {reference: styles[style] for reference, style in cells.items()}
    assert (formats["B5"], formats["C5"], formats["I5"]) == ("0", "0.0", "0.0")
    styles, cells = _cells(tmp_path, 4)
    assert styles[cells["C5"]] == "0.00"


def test_what_the_series_of_a_test_have_in_common_is_said_once(
    frames: Frames, write: Any, tmp_path: Path
) -> None:
    other = frames["series"].filter(pl.col("series_id") == "s_height")
    twin = other.with_columns(series_id=pl.lit("s_twin"), test=pl.lit("squat_jump"))
    again = frames["norms"].filter(series_id="s_height", population_id="p_all")
    both = frames | {
        "series": pl.concat([frames["series"], twin]),
        "norms": pl.concat([frames["norms"], again.with_columns(series_id=pl.lit("s_twin"))]),
    }
    write(both)
    head, *rows = _sheet(tmp_path, "female 12 to 13 everyone")[3:6]
    common = "both legs, hands on hips, no added load"
    assert head[0] == f"jump height by flight time [cm], higher is better: {common}"
    assert [row[0] for row in rows] == ["countermovement jump", "squat jump"]


def _cells(folder: Path, sheet: int) -> tuple[list[str], dict[str, int]]:
    """The number format of each cell format, and the format of each cell of a sheet."""
    with zipfile.ZipFile(folder / "norms.xlsx") as book:
        styles = ElementTree.fromstring(book.read("xl/styles.xml"))
        rows = ElementTree.fromstring(book.read(f"xl/worksheets/sheet{sheet}.xml"))
    codes = {"0": "", "1": "0", "2": "0.00"}  # ECMA-376, 18.8.30: formats that need no code
    codes |= {f.attrib["numFmtId"]: f.attrib["formatCode"] for f in styles.iter(f"{MAIN}numFmt")}
    formats = styles.find(f"{MAIN}cellXfs")
    assert formats is not None
    cells = {c.attrib["r"]: int(c.attrib.get("s", 0)) for c in rows.iter(f"{MAIN}c")}
    return [codes[f.attrib["numFmtId"]] for f in formats], cells


def test_no_text_is_higher_than_its_row(frames: Frames, write: Any, tmp_path: Path) -> None:
    """A spreadsheet puts lines over one another where a row is too low for them."""
    write(_many_groups(frames, 100))
    with zipfile.ZipFile(tmp_path / "norms.xlsx") as book:
        shared = ElementTree.fromstring(book.read("xl/sharedStrings.xml"))
        sheets = [ElementTree.fromstring(book.read(f"xl/worksheets/sheet{i}.xml")) for i in (1, 2, 3, 4)]
    texts = ["".join(t.text or "" for t in item.iter(f"{MAIN}t")) for item in shared]
    wrapped = 0
    for sheet in sheets:
        widths = {
            number: float(c.attrib["width"])
            for c in sheet.iter(f"{MAIN}col")
            for number in range(int(c.attrib["min"]), int(c.attrib["max"]) + 1)
        }
        merged = {m.attrib["ref"].split(":")[0] for m in sheet.iter(f"{MAIN}mergeCell")}
        for row in sheet.iter(f"{MAIN}row"):
            for cell in row.iter(f"{MAIN}c"):
                value = cell.find(f"{MAIN}v")
                if cell.attrib.get("t") != "s" or value is None or cell.attrib["r"] == "A1":
                    continue
                letters = re.sub(r"\d", "", cell.attrib["r"])
                width = sum(widths.values()) if cell.attrib["r"] in merged else widths[ord(letters) - 64]
                # In the default font, 11 points, a line is 15 points high.
                lines = lines_needed(texts[int(str(value.text))], width)
                assert float(row.attrib.get("ht", 15)) >= 15 * lines, cell.attrib["r"]
                wrapped += lines > 1
    assert wrapped > 10


def test_lines_are_counted_by_words() -> None:
    assert [lines_needed(text, 21) for text in ("", "a" * 21, "a" * 22, "one two\nthree", "x\n\ny")] == [
        1, 1, 2, 2, 3,
    ]  # fmt: skip
    assert lines_needed("twelve letter words wrap early", 13) == 3


def test_the_workbook_prints_one_page_wide_and_computes_nothing(
    frames: Frames, write: Any, tmp_path: Path
) -> None:
    write(frames)
    with zipfile.ZipFile(tmp_path / "norms.xlsx") as book:
        sheets = [book.read(f"xl/worksheets/sheet{i}.xml").decode() for i in (1, 2, 3, 4, 5)]
        defined = book.read("xl/workbook.xml").decode()
        assert "2000-01-01T00:00:00Z" in book.read("docProps/core.xml").decode()
    for sheet in sheets:
        assert "<f>" not in sheet and '<pageSetUpPr fitToPage="1"/>' in sheet
        assert 'fitToHeight="0"' not in sheet  # one page wide and one long, which is the default
    for sheet in sheets[1:]:
        assert 'orientation="landscape"' in sheet and 'state="frozen"' in sheet
    assert defined.count("_xlnm.Print_Titles") == 4 and "$1:$3" in defined


@pytest.mark.parametrize(
    ("points", "paper"),
    [
        (300.0, ["landscape", "one page"]),
        (1_200.0, ["one page"]),
        (2_000.0, ["landscape", "as many as it takes"]),
    ],
)
def test_a_page_is_upright_where_it_is_long_and_not_shrunk_beyond_reading(
    tmp_path: Path, points: float, paper: list[str]
) -> None:
    with xlsxwriter.Workbook(tmp_path / "a.xlsx") as book:
        print_setup(book.add_worksheet(), ("", ""), "metric", [54, 9, 7, 13, 7, 7, 13, 11], points)
    with zipfile.ZipFile(tmp_path / "a.xlsx") as book:
        sheet = book.read("xl/worksheets/sheet1.xml").decode()
    found = ["landscape"] if 'orientation="landscape"' in sheet else []
    assert [*found, "as many as it takes" if 'fitToHeight="0"' in sheet else "one page"] == paper


def _tested(frames: Frames, n: int, flags: str | None = None) -> Frames:
    """Results of n women of one age in a test that has no norms."""
    athletes = [{"athlete_id": f"b{i}", "sex": "female", "available": "yes"} for i in range(n)]
    result = {"metric": "hop_stiffness", "series_id": "s_hop", "session_id": "x", "local_date": MONDAY}
    result |= {"value": 20.0, "n_trials": 1, "unit": "kN/m", "flags": flags}
    rows = [{"athlete_id": f"b{i}", **result} for i in range(n)]
    return frames | {
        "athletes": pl.concat([frames["athletes"], made("athletes", athletes)]),
        "results": pl.concat([frames["results"], made("results", rows)]),
    }


@pytest.mark.parametrize(
    ("n", "flags", "said"),
    [
        (7, None, "hop stiffness – 7"),
        (4, None, "hop stiffness – fewer than 5"),
        (7, "familiarisation", None),
    ],
)
def test_a_test_without_a_group_is_told_with_how_many_did_it(
    frames: Frames, people: pl.DataFrame, tmp_path: Path, n: int, flags: str | None, said: str | None
) -> None:
    born = pl.lit(MONDAY - timedelta(days=20 * 365))
    births = pl.DataFrame({"athlete_id": [f"b{i}" for i in range(n)]}).with_columns(birth_date=born)
    births = pl.concat([people.drop("name"), births])
    publish_norms(tmp_path, _tested(frames, n, flags), births, "metric", "Example & Hall", CATALOGUE, {})
    listed = [line for line in _read_me(tmp_path) if "hop stiffness" in line]
    assert listed == ([said] if said else [])


def test_what_is_not_for_coaches_is_not_told_as_missing_either(
    frames: Frames, write: Any, tmp_path: Path
) -> None:
    write(frames)
    assert frames["results"].filter(metric="flight_time").height > 0
    assert not [line for line in _read_me(tmp_path) if "flight time" in line or "Not enough athletes" in line]


def test_without_norms_the_files_say_so(frames: Frames, write: Any, tmp_path: Path) -> None:
    none = {name: frames[name].clear() for name in ("norms", "norm_percentiles", "populations")}
    assert write(frames | none) == []
    assert CalamineWorkbook.from_path(tmp_path / "norms.xlsx").sheet_names == ["Read me"]
    assert "There are no norms yet" in _read_me(tmp_path)[1]


def test_facility_words_that_look_like_formulas_stay_words(
    frames: Frames, write: Any, tmp_path: Path
) -> None:
    sport = pl.when(pl.col("sport").is_not_null()).then(pl.lit("=HYPERLINK(0)"))
    odd = frames | {"populations": frames["populations"].with_columns(sport=sport)}
    assert [row["group"] for row in write(odd)][1] == "'=HYPERLINK(0)"
    assert _sheet(tmp_path, "female 12 to 13 =HYPERLINK(0)")[0][0].startswith("female, 12 to 13, =HYPER")

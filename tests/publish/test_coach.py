"""The norms as a coach gets them: words, units, what is left out, and the workbook."""

from __future__ import annotations

import zipfile
from pathlib import Path
from typing import Any

import polars as pl
import pytest
from python_calamine import CalamineWorkbook

from pipeline.analysis.norm_tables import PERCENTILE_NEEDS
from pipeline.publish.coach import coach_norms, publish_norms
from pipeline.publish.words import ages_in_words, in_shown_units, series_in_words
from schemas.catalogue import CATALOGUE, SERIES_KEYS

Frames = dict[str, pl.DataFrame]


def _csv(frames: Frames, folder: Path, units: str = "metric") -> list[dict[str, Any]]:
    publish_norms(folder, frames, units, "Example & Hall", CATALOGUE)
    return pl.read_csv(folder / "norms.csv", infer_schema_length=None).to_dicts()


def _sheet(folder: Path, name: str) -> list[list[Any]]:
    return CalamineWorkbook.from_path(folder / "norms.xlsx").get_sheet_by_name(name).to_python()


def test_the_latest_week_in_words_with_shown_decimals(frames: Frames, tmp_path: Path) -> None:
    rows = _csv(frames, tmp_path)
    assert [(row["sex"], row["ages"], row["group"], row["test"], row["n_athletes"]) for row in rows] == [
        ("female", "12 to 13", "everyone", "jump height by flight time", 45),
        ("female", "12 to 13", "rowing", "jump height by flight time", 31),
        ("female", "12 to 13", "running", "jump height by flight time", 10),
        ("female", "12 to 13", "everyone", "body mass", 20),
        ("male", "18 to 22", "everyone", "jump height by flight time", 5),
        ("male", "18 to 22", "everyone", "sprint time", 22),
    ]
    first, sprint = rows[0], rows[-1]
    assert {row["week"] for row in rows} == {"2026-03-02"}
    assert first["how"] == "countermovement jump, both legs, hands on hips, no added load"
    # 34.25, an eighth of it, and 0.99 of it with 5 % about it
    assert (first["mean"], first["sd"], first["p50"]) == (34.2, 4.3, 33.9)
    assert (first["p50_low"], first["p50_high"], first["p05"]) == (32.2, 35.6, None)
    assert (sprint["mean"], sprint["better"], sprint["how"]) == (
        1.85, "lower is better", "to 10 m, standing start, electronic timing",
    )  # fmt: skip


def test_small_groups_and_what_would_show_them_are_left_out_with_the_reason(
    frames: Frames, tmp_path: Path
) -> None:
    rows = _csv(frames, tmp_path)
    by_group = {(row["sex"], row["group"], row["metric"]): row for row in rows}
    men = by_group["male", "everyone", "jump_height"]
    assert (men["mean"], men["note"]) == (None, "Only 5 athletes here.")
    # 45 less 31 less 10 would be four athletes.
    running = by_group["female", "running", "jump_height"]
    assert (running["mean"], running["p50"], running["p50_low"]) == (None, None, None)
    assert running["note"].startswith("Left out: together with the wider group")
    assert by_group["female", "rowing", "jump_height"]["mean"] == 34.2


def test_customary_units_are_shown_where_the_facility_wants_them(frames: Frames, tmp_path: Path) -> None:
    rows = {(row["sex"], row["metric"], row["group"]): row for row in _csv(frames, tmp_path, "us")}
    height, mass = rows["female", "jump_height", "rowing"], rows["female", "body_mass", "everyone"]
    # NIST SP 811, appendix B: 1 in = 2.54 cm, 1 lb = 0.45359237 kg exactly.
    assert (height["unit"], height["mean"]) == ("in", round(34.25 / 2.54, 1))
    assert (mass["unit"], mass["mean"]) == ("lb", round(70 / 0.45359237, 1))
    assert rows["male", "sprint_time", "everyone"]["unit"] == "s"
    with pytest.raises(ValueError, match='"metric" or "us"'):
        in_shown_units(frames["norms"], ["mean"], "imperial")


def test_the_workbook_has_a_page_to_read_a_sheet_a_group_and_the_tests(
    frames: Frames, tmp_path: Path
) -> None:
    _csv(frames, tmp_path)
    names = CalamineWorkbook.from_path(tmp_path / "norms.xlsx").sheet_names
    assert names == ["Read me", "female 12 to 13", "male 18 to 22", "Tests"]
    read_me = " ".join(str(row[0]) for row in _sheet(tmp_path, "Read me"))
    for words in (
        "Norms of Example & Hall",
        "Week of 2026-03-02 to 2026-03-08",
        "Version 2025/26-2026-03-02. 3 athletes",
        "P10 is a fast time",
        "convenience sample",
        "Electronic timing removes the operator's reaction, not set-up, trigger limb, wind, identity or "
        "selection of trials.",
        "clears nobody",
    ):
        assert words in read_me
    assert all(f"{n} " in read_me for n in PERCENTILE_NEEDS.values())
    tests = _sheet(tmp_path, "Tests")
    assert [row[:3] for row in tests[2:]] == [
        ["jump height by flight time", "cm", "higher is better"],
        ["sprint time", "s", "lower is better"],
        ["body mass", "kg", ""],
    ]


def test_a_sheet_says_what_the_csv_says(frames: Frames, tmp_path: Path) -> None:
    _csv(frames, tmp_path)
    title, heads, *rows = _sheet(tmp_path, "female 12 to 13")
    assert title[0] == "female, 12 to 13: week of 2026-03-02"
    interval = "90 % interval"
    assert heads == [
        "Test", "How", "Group", "Athletes", "Unit", "Mean ± SD",
        f"P25\n{interval}", f"P50\n{interval}", f"P75\n{interval}", "Left out",
    ]  # fmt: skip
    how = "countermovement jump, both legs, hands on hips, no added load"
    assert rows[1] == [
        "jump height by flight time (higher is better)", how, "rowing", "31", "cm", "34.2 ± 4.3",
        "30.8", "33.9\n32.2 to 35.6", "37.7", "",
    ]  # fmt: skip
    assert rows[2][5:9] == ["", "", "", ""]


def test_the_workbook_prints_one_page_wide_and_computes_nothing(frames: Frames, tmp_path: Path) -> None:
    _csv(frames, tmp_path)
    with zipfile.ZipFile(tmp_path / "norms.xlsx") as book:
        sheets = [book.read(f"xl/worksheets/sheet{i}.xml").decode() for i in (1, 2, 3, 4)]
        defined = book.read("xl/workbook.xml").decode()
        assert "2000-01-01T00:00:00Z" in book.read("docProps/core.xml").decode()
    for sheet in sheets:
        assert "<f>" not in sheet and '<pageSetUpPr fitToPage="1"/>' in sheet and 'fitToHeight="0"' in sheet
    for sheet in sheets[1:]:
        assert 'orientation="landscape"' in sheet and 'state="frozen"' in sheet
    assert defined.count("_xlnm.Print_Titles") == 3


def test_without_norms_the_files_say_so(frames: Frames, tmp_path: Path) -> None:
    none = {name: frames[name].clear() for name in ("norms", "norm_percentiles", "populations")}
    assert _csv(frames | none, tmp_path) == []
    assert CalamineWorkbook.from_path(tmp_path / "norms.xlsx").sheet_names == ["Read me"]
    assert "There are no norms yet" in _sheet(tmp_path, "Read me")[1][0]


def test_facility_words_that_look_like_formulas_stay_words(frames: Frames, tmp_path: Path) -> None:
    sport = pl.when(pl.col("sport").is_not_null()).then(pl.lit("=HYPERLINK(0)"))
    odd = frames | {"populations": frames["populations"].with_columns(sport=sport)}
    assert [row["group"] for row in _csv(odd, tmp_path)][1] == "'=HYPERLINK(0)"
    assert _sheet(tmp_path, "female 12 to 13")[3][2] == "=HYPERLINK(0)"


def test_unknown_keys_and_methods_are_told_only_where_series_differ_in_them() -> None:
    keys = {"distance": "10 m", "surface": "unknown", "method": "gates_1"}
    series = pl.DataFrame(
        [
            {"series_id": "1", "metric": "sprint_time"} | keys | {"shoes": "unknown"},
            {"series_id": "2", "metric": "sprint_time"} | keys | {"shoes": "spikes"},
            {"series_id": "3", "metric": "interval_speed"} | keys | {"shoes": "unknown", "method": "gates_2"},
        ]
    )
    missing = [pl.lit(None, pl.String).alias(key) for key in SERIES_KEYS if key not in series.columns]
    words = series_in_words(series.with_columns(missing))
    assert words["how"].to_list() == ["to 10 m, shoes not known", "to 10 m, in spikes", "to 10 m"]


def test_ages_are_words_that_no_spreadsheet_takes_for_a_date() -> None:
    bands = pl.DataFrame({"band": ["<=11", "12-13", "40+"]})
    words = bands.select(ages_in_words(pl.col("band")))["band"]
    assert words.to_list() == ["up to 11", "12 to 13", "40 and over"]


def test_every_norm_of_the_week_has_a_row(frames: Frames) -> None:
    shown = coach_norms(frames, "metric", CATALOGUE)
    assert shown.height == frames["norms"].filter(pl.col("week") == pl.col("week").max()).height

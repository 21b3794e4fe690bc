"""Series, groups and ages in a coach's words."""

from __future__ import annotations

from typing import Any

import polars as pl
import pytest

from pipeline.publish.words import ages_in_words, called, in_shown_units, series_in_words, to_sort_by
from schemas.catalogue import SERIES_KEYS


def _how(*series: dict[str, Any], labels: dict[str, str] | None = None) -> list[str]:
    """The words of series that are read side by side unless they say another `sheet`."""
    blank = {"metric": "m", "sheet": "one", **dict.fromkeys(SERIES_KEYS)}
    schema = {"series_id": pl.String, **dict.fromkeys(blank, pl.String)}
    rows = [{"series_id": str(i), **blank, **keys} for i, keys in enumerate(series)]
    words = series_in_words(pl.DataFrame(rows, schema=schema), ("sheet",), labels or {})
    assert words["series_id"].to_list() == [row["series_id"] for row in rows]
    return words["how"].to_list()


def test_the_facilitys_own_words() -> None:
    frame = pl.DataFrame({"squad": ["U20W | first", "first", None], "sport": ["rowing", None, "judo"]})
    shown = called(
        frame, {"squad": {"U20W": "Women under 20"}, "sport": {"rowing": "Rowing"}, "position": {}}
    )
    assert shown["squad"].to_list() == ["Women under 20|first", "first", None]
    assert shown["sport"].to_list() == ["Rowing", None, "judo"]


def test_what_is_not_known_is_told_only_where_nothing_else_differs() -> None:
    unknown, spikes = {"shoes": "unknown"}, {"shoes": "spikes"}
    ten = {"distance": "10 m", "surface": "unknown"}
    assert _how(ten | unknown, ten | spikes) == ["to 10 m, shoes not known", "to 10 m, in spikes"]
    # Another distance, sheet or metric is told apart without it.
    for other in ({"distance": "20 m"}, {"sheet": "two"}, {"metric": "n"}):
        assert _how(ten | unknown, ten | spikes | other)[0] == "to 10 m"


def test_methods_are_told_only_where_nothing_else_differs_and_their_versions_within_them() -> None:
    one, two = {"test": "squat_jump", "method": "mat-1"}, {"test": "squat_jump", "method": "mat-2"}
    versions = [{"method_version": "unknown"}, {"method_version": "2.1"}]
    assert _how(one | versions[0]) == ["squat jump"]
    assert _how(one | versions[0], two | versions[1]) == ["squat jump, by mat-1", "squat jump, by mat-2"]
    assert _how(one | versions[0], one | versions[1]) == [
        "squat jump, method version not known", "squat jump, version 2.1",
    ]  # fmt: skip
    assert _how(one, two, labels={"mat-1": "the hall mat"}) == [
        "squat jump, by the hall mat", "squat jump, by mat-2",
    ]  # fmt: skip


@pytest.mark.parametrize(
    ("keys", "words"),
    [
        ({"from_distance": "10 m", "distance": "20 m", "start": "flying"}, "from 10 m to 20 m, flying start"),
        ({"course": "5 m out and back", "distance": "10 m"}, "course 5 m out and back, to 10 m"),
        (
            {"lift": "back_squat", "variant": "parallel", "implement": "barbell", "implement_count": "1"}
            | {"load": "60 kg", "accommodating": "none", "side": "both"},
            "back squat, parallel, with barbell, at 60 kg",
        ),
        (
            {"lift": "row", "implement": "dumbbell", "implement_count": "2", "accommodating": "bands"},
            "row, with dumbbell, 2 at once, with bands",
        ),
        ({"site_set": "seven_sites_with_calf", "measurer": "TR"}, "seven sites with calf, measured by TR"),
        ({"site": "iliac_crest", "measurer": "unknown"}, "iliac crest"),
        (
            {"direction": "rotation_left", "posture": "seated, strapped", "lever_arm": "0.09 m"}
            | {"examiner": "LQ"},
            "rotation to the left, seated, strapped, lever arm 0.09 m, tested by LQ",
        ),
        ({"direction": "right"}, "to the right"),
        (
            {"pull": "resisted", "resistance": "unknown", "sled_mass": "20 kg", "surface": "hall"},
            "resisted, sled of 20 kg, in the hall",
        ),
        ({"pull": "assisted", "resistance_setting": "4", "surface": "grass"}, "assisted, set to 4, on grass"),
        ({"metric": "broad_jump", "test": "broad_jump", "side": "left"}, "left side"),
    ],
)
def test_each_kind_of_series_in_words(keys: dict[str, str], words: str) -> None:
    assert _how(keys) == [words]


def test_every_key_of_a_series_is_said_somehow() -> None:
    for key in SERIES_KEYS:
        other = {key: "another"} if key.startswith("method") else {"sheet": "two"}
        assert "some word" in _how({key: "some_word"}, {key: "some_word"} | other)[0], key


def test_distances_are_sorted_by_their_size() -> None:
    sizes = ["to 5 m", "to 10 m, 0.25 m behind", "to 10 m, 0.3 m behind", "to 10.5 m", "to 100 m"]
    shuffled = pl.DataFrame({"how": sorted(sizes)})
    assert shuffled.sort(to_sort_by(pl.col("how")))["how"].to_list() == sizes


def test_ages_are_words_that_no_spreadsheet_takes_for_a_date() -> None:
    bands = pl.DataFrame({"band": ["<=11", "12-13", "40+"]})
    words = bands.select(ages_in_words(pl.col("band")))["band"]
    assert words.to_list() == ["up to 11", "12 to 13", "40 and over"]


def test_another_word_for_units_is_refused() -> None:
    with pytest.raises(ValueError, match='"metric" or "us"'):
        in_shown_units(pl.DataFrame({"mean": [1.0], "unit": ["cm"]}), ["mean"], "imperial")

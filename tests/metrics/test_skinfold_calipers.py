"""Skinfolds: readings, whole site sets, the measurer's error."""

import datetime as dt

import polars as pl
import pytest

from pipeline.analysis.results import summarise
from pipeline.metrics.measurements import measure_all
from pipeline.metrics.skinfold_calipers import flag
from schemas.catalogue import CATALOGUE
from schemas.families import FAMILIES
from schemas.families.skinfold_calipers import SITE_SETS
from tests.metrics.trial_rows import sessions_of, trial_rows

TABLE = "skinfold_readings"
FOUR = ("biceps", "triceps", "subscapular", "suprailiac")


def fold(
    site: str, *readings: float, measurer: str | None = "M1", **fields: object
) -> list[dict[str, object]]:
    """The readings [mm] of a site, numbered from 1."""
    return [
        {"site": site, "reading": number, "thickness_mm": mm, "measurer": measurer, **fields}
        for number, mm in enumerate(readings, 1)
    ]


def tables(*folds: list[dict[str, object]]) -> dict[str, pl.DataFrame]:
    trials = trial_rows(TABLE, *(row for rows in folds for row in rows))
    sessions = sessions_of(trials)
    made = measure_all({TABLE: trials}, sessions, CATALOGUE, {})
    return made | {"results": summarise(made["measurements"], sessions, CATALOGUE)}


def results(metric: str, *folds: list[dict[str, object]]) -> pl.DataFrame:
    made = tables(*folds)
    of_metric = made["results"].filter(pl.col("metric") == metric)
    return of_metric.join(made["series"].drop("metric"), on="series_id").sort("series_id")


def flags_of(*folds: list[dict[str, object]]) -> list[str | None]:
    return flag(trial_rows(TABLE, *(row for rows in folds for row in rows)))["flags"].to_list()


@pytest.mark.parametrize(
    ("readings", "expected"),
    [((8.2, 8.6), 8.4), ((8.2, 9.6, 8.4), 8.4), ((8.0, 8.2, 9.0, 9.6), 8.6), ((7.0,), 7.0)],
)
@pytest.mark.mode(48)
def test_mean_of_two_and_median_of_three(readings: tuple[float, ...], expected: float) -> None:
    row = results("skinfold_site", fold("triceps", *readings)).row(0, named=True)
    assert row["value"] == pytest.approx(expected)
    assert row["n_trials"] == len(readings)
    assert row["best"] is None
    assert (row["site"], row["measurer"]) == ("triceps", "M1")


@pytest.mark.mode(48)
def test_a_reading_alone_is_said() -> None:
    failed = {**fold("calf", 9.0, 9.2)[1], "mark": "failed"}
    found = flags_of(fold("triceps", 8.0), fold("biceps", 4.0, 4.1), [fold("calf", 9.0)[0], failed])
    assert found == ["single_reading", None, None, "single_reading", "failed"]


@pytest.mark.mode(49)
def test_readings_of_two_measurers_do_not_stand_together() -> None:
    assert flags_of(fold("triceps", 8.0), fold("triceps", 8.0, measurer="M2")) == ["single_reading"] * 2
    rows = results("skinfold_site", fold("triceps", 8.0, 8.2), fold("triceps", 9.0, 9.2, measurer="M2"))
    assert sorted(rows["value"]) == pytest.approx([8.1, 9.1])


@pytest.mark.parametrize(
    ("readings", "due"),
    [
        ((8.0, 8.6), True),  # 7 % and 0.6 mm
        ((6.0, 6.5), False),  # 8 %, but 0.5 mm
        ((12.1, 11.6), False),  # 0.5 mm, though not as doubles
        ((20.0, 20.9), False),  # 0.9 mm, but 4 %
        ((20.0, 21.2), True),  # 5.8 % and 1.2 mm
        ((8.0, 8.6, 8.2), False),  # there is a third
    ],
)
@pytest.mark.mode(48)
def test_a_third_reading_is_due(readings: tuple[float, ...], due: bool) -> None:
    assert flags_of(fold("triceps", *readings)) == (["third_reading_due"] if due else [None]) * len(readings)


def test_flagging_twice_changes_nothing() -> None:
    once = flag(trial_rows(TABLE, *fold("triceps", 8.0), *fold("calf", 8.0, 9.0)))
    assert flag(once).equals(once)


def test_a_sum_is_made_of_the_site_values_of_a_whole_set() -> None:
    made = tables(
        fold("biceps", 4.0, 4.2),
        fold("triceps", 8.0, 9.4, 8.2),
        fold("subscapular", 10.0, 10.2),
        fold("suprailiac", 12.0),
    )
    [row] = made["results"].filter(pl.col("metric") == "skinfold_sum").iter_rows(named=True)
    assert row["value"] == pytest.approx(4.1 + 8.2 + 10.1 + 12.0)
    assert row["flags"] == "single_reading"
    [series] = made["series"].filter(pl.col("metric") == "skinfold_sum").iter_rows(named=True)
    assert series["label"] == "site_set=four_sites; measurer=M1; method=device-1; method_version=unknown"
    [measurement] = made["measurements"].filter(pl.col("metric") == "skinfold_sum").iter_rows(named=True)
    assert (measurement["row_id"], measurement["trial"]) == (None, None)
    inputs = made["measurement_inputs"].filter(pl.col("measurement_id") == measurement["measurement_id"])
    assert sorted(inputs["role"]) == sorted(
        ["biceps"] * 2 + ["triceps"] * 3 + ["subscapular"] * 2 + ["suprailiac"]
    )


@pytest.mark.parametrize("missing", FOUR)
@pytest.mark.mode(50)
def test_no_sum_where_a_site_is_missing(missing: str) -> None:
    assert results("skinfold_sum", *(fold(site, 8.0, 8.2) for site in FOUR if site != missing)).is_empty()


@pytest.mark.parametrize(
    "other", [{"measurer": "M2"}, {"mark": "failed"}, {"device": "device-2"}, {"day": dt.date(2026, 1, 6)}]
)
@pytest.mark.mode(49)
def test_no_sum_across_measurers_devices_days_or_from_failed_readings(other: dict[str, object]) -> None:
    three = [fold(site, 8.0, 8.2) for site in FOUR[1:]]
    measurer = other.get("measurer", "M1")
    rest = {key: value for key, value in other.items() if key != "measurer"}
    assert results("skinfold_sum", fold(FOUR[0], 8.0, 8.2, measurer=measurer, **rest), *three).is_empty()


def test_all_sites_give_every_set_once() -> None:
    sites = FAMILIES["skinfold_calipers"].field("site").values
    sums = results("skinfold_sum", *(fold(site, 8.0, 8.0) for site in sites))
    assert dict(sums.select("site_set", "value").iter_rows()) == {
        one.name: 8.0 * len(one.sites) for one in SITE_SETS
    }


def test_the_catalogue_lists_the_site_sets() -> None:
    known = FAMILIES["skinfold_calipers"].field("site").values
    for one in SITE_SETS:
        assert set(one.sites) <= set(known)
        assert len(set(one.sites)) == len(one.sites)
        assert f"{one.name} ({', '.join(one.sites)})" in CATALOGUE["skinfold_sum"].formula
        assert one.source


def test_technical_error_of_published_duplicates() -> None:
    # (8.2, 8.4), (12.0, 11.6), (15.2, 15.8), (9.0, 9.2): 0.27386 mm and 2.4507 % by sqrt(sum d² / (2 n)) of
    # Ulijaszek & Kerr 1999, Br J Nutr 82:165-177 (formula from the abstract; numbers computed from it).
    pairs = (
        fold("triceps", 8.2, 8.4),
        fold("abdomen", 12.0, 11.6),
        fold("thigh", 15.2, 15.8),
        fold("calf", 9.0, 9.2),
    )
    alone = fold("chest", 6.0)
    [row] = results("skinfold_technical_error", *pairs, alone).iter_rows(named=True)
    assert row["value"] == pytest.approx(0.27386, abs=5e-6)
    assert row["label"] == "measurer=M1; method=device-1; method_version=unknown"
    [share] = results("skinfold_technical_error_percent", *pairs, alone).iter_rows(named=True)
    assert share["value"] == pytest.approx(2.4507, abs=5e-5)


def test_a_third_reading_is_pooled_within_its_site() -> None:
    # Within sums of squares 0.02 + 0.08, degrees of freedom 1 + 2.
    [row] = results(
        "skinfold_technical_error", fold("triceps", 8.0, 8.2), fold("calf", 9.0, 9.2, 9.4)
    ).iter_rows(named=True)
    assert row["value"] == pytest.approx((0.10 / 3) ** 0.5)


def test_each_measurer_has_an_error_of_his_or_her_own() -> None:
    rows = results(
        "skinfold_technical_error", fold("triceps", 8.0, 8.2), fold("triceps", 8.0, 9.0, measurer="M2")
    )
    assert dict(rows.select("measurer", "value").iter_rows()) == pytest.approx(
        {"M1": 0.02**0.5, "M2": 0.5**0.5}
    )


def test_no_error_without_repeats() -> None:
    assert results("skinfold_technical_error", fold("triceps", 8.0)).is_empty()


def test_body_composition_of_minors_is_restricted() -> None:
    ours = [metric for metric in CATALOGUE.values() if metric.family == "skinfold_calipers"]
    assert len(ours) == 6
    assert all(
        metric.restricted_minors and metric.better == "context" and not metric.learned for metric in ours
    )

"""The truth: complete, one of a kind, possible, and rich enough for norms."""

import unicodedata
from collections import Counter, defaultdict
from datetime import date, datetime
from zoneinfo import ZoneInfo

import pytest

from sample_exports.generator.people import DEMO_CONFIG, read_csv, read_roster
from schemas.families import FAMILIES

KEY = (
    "device",
    "athlete_id",
    "local_date",
    "local_time",
    "test",
    "leg",
    "side",
    "trial",
    "hop",
    "lift",
    "set",
    "rep",
    "distance_m",
    "sample_ms",
    "site",
    "measurer",
    "direction",
)
BANDS = ((0, 11), (12, 13), (14, 15), (16, 17), (18, 22), (23, 29), (30, 39), (40, 120))


def _key(row: dict[str, str]) -> tuple[str, ...]:
    """What no other current number shares."""
    return tuple(row[name] for name in (*KEY, "quantity", "reading", "column"))


def _current(set_) -> dict[tuple[str, ...], dict[str, str]]:
    """The current numbers of a set, by key."""
    return {_key(row): row for row in set_.table("measurements.csv") if row["current"] == "1"}


def _same(name: str) -> str:
    """A written name without accents, case and order."""
    family, comma, given = name.partition(",")
    plain = unicodedata.normalize("NFKD", f"{given} {family}" if comma else name).casefold()
    return " ".join("".join(letter for letter in plain if not unicodedata.combining(letter)).split())


@pytest.mark.parametrize("which", ["made", "other", "changed"])
def test_every_data_line_has_its_numbers(which, request):
    set_ = request.getfixturevalue(which)
    told = {(row["file"], row["line"]) for row in set_.table("measurements.csv")}
    lines = [line for line in set_.table("lines.csv") if line["kind"] == "data" and line["fate"] != "skipped"]
    assert {(line["file"], line["line"]) for line in lines} == told
    held = sum(line["fate"] == "held" for line in lines)
    assert 0 < held < 0.05 * len(lines)


@pytest.mark.parametrize("which", ["made", "other", "changed"])
def test_an_exported_number_is_the_true_one_within_its_rounding(which, request):
    for row in request.getfixturevalue(which).table("measurements.csv"):
        off = abs(float(row["true_value"]) - float(row["exported_value"]))
        assert off <= float(row["step"]) / 2 + 1e-8, row


def test_the_changed_exports_tell_the_same_trials(made, changed):
    """Damaged lines may differ: bytes that cannot be exist in UTF-8 only."""
    both = [_current(set_) for set_ in (made, changed)]
    shared = both[0].keys() & both[1].keys()
    assert len(shared) == len(both[0]) > 5000
    for key in shared:
        first, second = (one[key] for one in both)
        room = (float(first["step"]) + float(second["step"])) / 2 + 1e-8
        assert abs(float(first["exported_value"]) - float(second["exported_value"])) <= room


def test_a_current_number_is_one_of_a_kind(made):
    rows = [row for row in made.table("measurements.csv") if row["current"] == "1"]
    counted = Counter(_key(row) for row in rows)
    assert set(counted.values()) == {1}


def test_loaded_numbers_are_possible(made):
    """Within the hard limits that hold a line."""
    limits = {
        (family.name, field.name): (field.low, field.high)
        for family in FAMILIES.values()
        for field in family.columns
        if field.low is not None and not field.limits_by
    }
    checked = 0
    for row in made.table("measurements.csv"):
        low, high = limits.get((row["family"], row["column"]), (None, None))
        if row["fate"] == "loaded" and low is not None and high is not None:
            assert low <= float(row["exported_value"]) <= high
            checked += 1
    assert checked > 1000


def test_utc_and_local_time_agree(made):
    zone, offsets = ZoneInfo("Europe/Lisbon"), set()
    for row in made.table("measurements.csv"):
        if row["local_time"]:
            local = datetime.fromisoformat(f"{row['local_date']}T{row['local_time']}")
            utc = datetime.fromisoformat(row["performed_at_utc"] + "+00:00")
            assert utc.astimezone(zone).replace(tzinfo=None) == local
            offsets.add(local - utc.replace(tzinfo=None))
    assert len(offsets) == 2  # summer and winter time


def test_every_undamaged_name_is_one_person(made):
    """By the roster, its aliases, or an alias of the device on that day."""
    plain = defaultdict(set)
    for line in read_csv(DEMO_CONFIG / "athletes.csv"):
        for name in (line["athlete_id"], line["name"], *filter(None, line["aliases"].split("|"))):
            plain[_same(name)].add(line["athlete_id"])
    narrow = read_csv(DEMO_CONFIG / "aliases.csv")
    for row in made.table("measurements.csv"):
        if row["code"] in ("unknown_name", "ambiguous_name", "no_layout", "too_few_fields", "guest"):
            continue
        meant = plain[_same(row["written_name"])] | {
            line["athlete_id"]
            for line in narrow
            if _same(line["alias"]) == _same(row["written_name"])
            and line["device"] == row["device"]
            and (line["from"] or "0") <= row["local_date"] <= (line["until"] or "9")
        }
        assert meant == {row["athlete_id"]}, row


def test_names_held_as_ambiguous_have_two_owners_and_unknown_ones_none(made):
    owners = Counter(
        _same(alias)
        for line in read_csv(DEMO_CONFIG / "athletes.csv")
        for alias in line["aliases"].split("|")
    )
    rows = made.table("measurements.csv")
    assert {owners[_same(row["written_name"])] for row in rows if row["code"] == "ambiguous_name"} == {2}
    assert {owners[_same(row["written_name"])] for row in rows if row["code"] == "unknown_name"} == {0}


def test_the_recorded_correction_meets_one_trial(made):
    [line] = read_csv(DEMO_CONFIG / "corrections.csv")
    met = [
        row
        for row in made.table("measurements.csv")
        if (row["device"], row["athlete_id"], row["local_date"], row["trial"])
        == (line["device"], line["athlete_id"], line["date"], line["trial"])
    ]
    assert sorted((row["test"], row["column"]) for row in met) == [
        (line["value"], "added_load_kg"),
        (line["value"], "flight_time_s"),
    ]


@pytest.mark.parametrize(
    ("sex", "band", "sport", "least"),
    [("male", (18, 22), None, 20), ("female", (18, 22), None, 8), ("male", (16, 17), None, 8),
     ("male", (18, 22), "rowing", 8), ("female", (18, 22), "handball", 8)],
)  # fmt: skip
def test_groups_are_large_enough_for_norms(made, sex, band, sport, least):
    """Athletes with two or more sessions while fully available, so that one is left after the first."""
    end = date(2026, 1, 25)
    days = defaultdict(set)
    for row in made.table("measurements.csv"):
        counts = row["current"] == "1" and row["mark"] == "ok"
        if (
            counts
            and row["device"] == "mat-1"
            and row["test"] == "countermovement_jump"
            and row["leg"] == "both"
        ):
            days[row["athlete_id"]].add(row["local_date"])
    assert band in BANDS
    group = [
        one
        for one in read_roster().athletes
        if one.sex == sex and band[0] <= int(one.age(end)) <= band[1]
        if sport in (None, one.on(end, "sport"))
        if sum(one.on(date.fromisoformat(day), "status") == "full" for day in days[one.athlete_id]) >= 2
    ]
    assert len(group) >= least

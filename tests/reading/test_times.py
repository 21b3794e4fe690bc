"""Times: as Python's strptime and zoneinfo have them."""

from __future__ import annotations

import warnings
from datetime import UTC, datetime, timedelta, timezone
from zoneinfo import ZoneInfo

import polars as pl
import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st

from pipeline.reading.times import check_format, iso_texts, parse_local, to_local, to_utc

FORMATS = [
    "%d.%m.%Y %H:%M:%S",
    "%d.%m.%Y %H:%M",
    "%Y-%m-%d %H:%M:%S",
    "%m/%d/%YT%H:%M",
    "%d.%m.%y",
    "%Y-%m-%dT%H:%M:%S.%f%z",
    "%Y%m%d%H%M%S",
    "%Y%m%d",
    "%m/%d/%Y %I:%M %p",
    "%m/%d/%y %I:%M:%S.%f %p %z",
    "%p %I on %d-%m-%Y [x] (+)",
    "%H:%M %d %m %Y",
    "%d%m%Y",
]
ZONES = ["Europe/Lisbon", "America/New_York", "Australia/Lord_Howe", "Asia/Kolkata"]


def parse(text: str, fmt: str, iso_too: bool = False) -> tuple[datetime | None, datetime | None, bool, bool]:
    row: tuple[datetime | None, datetime | None, bool, bool] = parse_local(
        pl.Series([text]), fmt, iso_too
    ).row(0)
    return row


def python_reads(text: str, fmt: str) -> tuple[datetime | None, datetime | None]:
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")
            moment = datetime.strptime(text, fmt)
        utc = moment.astimezone(UTC).replace(tzinfo=None) if moment.tzinfo else None
    except (ValueError, OverflowError):
        return None, None
    return moment.replace(tzinfo=None), utc


@pytest.mark.parametrize("fmt", [*FORMATS, "epoch_s", "epoch_ms"])
def test_good_formats(fmt: str) -> None:
    assert check_format(fmt) == []


@pytest.mark.parametrize(
    ("fmt", "word"),
    [
        ("%d.%b.%Y", "%b is not known"),
        ("%d.%m.%Y %%", "%% is not known"),
        ("%d.%m.%Y %", "% is not known"),
        ("%d.%m", "the year is missing"),
        ("%m %Y", "the day is missing"),
        ("%d %Y", "the month is missing"),
        ("%d.%m.%Y%y", "say the same"),
        ("%d.%m.%Y %d", "%d is written twice"),
        ("%d.%m.%Y %I:%M", "%I needs %p"),
        ("%d.%m.%Y %H:%M %p", "%p needs %I"),
        ("%d.%m.%Y %I:%H %p", "say the same"),
        ("%d.%m.%Y %M", "%M needs %H or %I"),
        ("%d.%m.%Y %H:%S", "%S needs %M"),
        ("%d.%m.%Y %H:%M.%f", "%f needs %S"),
        ("%d.%m.%Y %z", "%z needs %H or %I"),
        ("epoch", "the year is missing"),
    ],
)
def test_bad_formats_are_said(fmt: str, word: str) -> None:
    assert any(word in problem for problem in check_format(fmt))


moments = st.datetimes(datetime(1970, 1, 1), datetime(2068, 12, 31))
offsets = st.integers(-14 * 60, 14 * 60).map(lambda minutes: timedelta(minutes=minutes))


@st.composite
def written_moments(draw: st.DrawFn) -> tuple[str, str]:
    """A time in a format, perhaps unpadded or with a character changed."""
    fmt = draw(st.sampled_from(FORMATS))
    moment = draw(moments).replace(tzinfo=ZoneInfo("UTC")).astimezone(timezone(draw(offsets)))
    text = moment.strftime(fmt)
    for _ in range(draw(st.integers(0, 2))):
        at = draw(st.integers(0, len(text) - 1))
        new = draw(st.sampled_from([*"0123456789 :.-Zaz+", ""]))
        text = text[:at] + new + text[at + draw(st.integers(0, 1)) :] or "x"
    return text.strip() or "x", fmt


@settings(max_examples=500, deadline=None)
@given(written_moments())
@example(("31.02.2025", "%d.%m.%Y"))
@example(("29.02.2024", "%d.%m.%Y"))
@example(("01.09.0000", "%d.%m.%Y"))
@example(("1.9.2025 junk", "%d.%m.%Y"))
@example(("12/1/2025 12:00 AM", "%m/%d/%Y %I:%M %p"))
@example(("12/1/2025 12:00 pm", "%m/%d/%Y %I:%M %p"))
@example(("1.9.2025 10:00:60", "%d.%m.%Y %H:%M:%S"))
@example(("1.9.2025 24:00", "%d.%m.%Y %H:%M"))
@example(("2025111", "%Y%m%d"))
@example(("2025-09-01T10:00:00.5+02:00:30", "%Y-%m-%dT%H:%M:%S.%f%z"))
@example(("2025-09-01T10:00:00.5+24:00", "%Y-%m-%dT%H:%M:%S.%f%z"))
def test_formats_read_as_strptime_reads_them(case: tuple[str, str]) -> None:
    text, fmt = case
    local, utc, time_known, seconds_known = parse(text, fmt)
    assert (local, utc) == python_reads(text, fmt)
    assert time_known == ("%H" in fmt or "%I" in fmt)
    assert seconds_known == ("%S" in fmt)


@settings(max_examples=200, deadline=None)
@given(st.data(), st.sampled_from(FORMATS))
def test_texts_of_full_width_are_read_as_among_others(data: st.DataObject, fmt: str) -> None:
    drawn = data.draw(st.lists(moments, max_size=5))
    texts = pl.Series(
        [None, *(moment.replace(tzinfo=UTC).strftime(fmt) for moment in drawn)], dtype=pl.String
    )
    others = pl.concat([texts, pl.Series(["no time"])])
    assert parse_local(texts, fmt).equals(parse_local(others, fmt)[:-1])


def test_blanks_round_a_time_are_trimmed() -> None:
    assert parse("  1.9.2025 ", "%d.%m.%Y")[0] == datetime(2025, 9, 1)
    assert parse_local(pl.Series([None, ""], dtype=pl.String), "%d.%m.%Y")["local"].to_list() == [None, None]


@settings(max_examples=100, deadline=None)
@given(moments)
def test_epochs_are_exact_to_the_microsecond(moment: datetime) -> None:
    micros = (moment - datetime(1970, 1, 1)) // timedelta(microseconds=1)
    for fmt, unit in (("epoch_s", 10**6), ("epoch_ms", 10**3)):
        text = f"{micros // unit}.{micros % unit:0{len(str(unit)) - 1}d}"
        assert parse(text, fmt) == (moment, moment, True, True)
    assert parse(str(micros // 1000), "epoch_ms")[0] == moment.replace(
        microsecond=moment.microsecond // 1000 * 1000
    )


@pytest.mark.parametrize("text", ["", "-5", "1e9", "99999999999999", "12:00", "1 756 721 000"])
def test_what_is_no_epoch(text: str) -> None:
    assert parse(text, "epoch_s")[:2] == (None, None)


def test_iso_text_of_workbooks() -> None:
    fmt = "%d.%m.%Y %H:%M"
    assert parse("2025-09-01 10:22:05", fmt, True) == (datetime(2025, 9, 1, 10, 22, 5), None, True, True)
    assert parse("2025-09-01 10:22:05,25", fmt, True)[0] == datetime(2025, 9, 1, 10, 22, 5, 250_000)
    assert parse("2025-09-01", fmt, True) == (datetime(2025, 9, 1), None, False, False)
    assert parse("1.9.2025 10:22", fmt, True) == (datetime(2025, 9, 1, 10, 22), None, True, False)
    assert parse("2025-02-31", fmt, True)[0] is None
    assert parse("2025-13-01 25:00:00", fmt, True)[0] is None
    assert parse("2025-09-01", fmt)[0] is None
    assert parse("2025-09-01 10:22:05", "%d.%m.%Y", True) == (
        datetime(2025, 9, 1, 10, 22, 5),
        None,
        True,
        True,
    )


def zoneinfo_utc(local: datetime, zone: str) -> tuple[datetime, bool]:
    early, late = (local.replace(tzinfo=ZoneInfo(zone), fold=fold).astimezone(UTC) for fold in (0, 1))
    return early.replace(tzinfo=None), early != late


wall_clocks = st.datetimes(datetime(1990, 1, 1), datetime(2036, 12, 31))
TRANSITIONS = {
    "Europe/Lisbon": [datetime(2025, 3, 30, 1, 30), datetime(2025, 10, 26, 1, 30)],
    "America/New_York": [datetime(2025, 3, 9, 2, 30), datetime(2025, 11, 2, 1, 30)],
    "Australia/Lord_Howe": [datetime(2025, 10, 5, 2, 15), datetime(2025, 4, 6, 1, 45)],
    "Asia/Kolkata": [],
}


@settings(max_examples=100, deadline=None)
@given(st.sampled_from(ZONES), st.lists(wall_clocks, max_size=5), st.integers(-7200, 7200))
def test_local_to_utc_as_zoneinfo(zone: str, drawn: list[datetime], shift_s: int) -> None:
    near = [moment + timedelta(seconds=shift_s) for moment in TRANSITIONS[zone]]
    local = [*drawn, *near, *TRANSITIONS[zone]]
    result = to_utc(pl.Series(local, dtype=pl.Datetime("us")), zone)
    assert result.rows() == [zoneinfo_utc(moment, zone) for moment in local]


@pytest.mark.mode(12)
def test_twice_is_the_earlier_and_skipped_moves_forward() -> None:
    skipped, twice = TRANSITIONS["America/New_York"]
    result = to_utc(pl.Series([skipped, twice, None, datetime(2025, 7, 1)]), "America/New_York")
    assert result["utc"].to_list() == [
        datetime(2025, 3, 9, 7, 30),
        datetime(2025, 11, 2, 5, 30),
        None,
        datetime(2025, 7, 1, 4),
    ]
    assert result["ambiguous"].to_list() == [True, True, False, False]
    assert to_local(result["utc"], "America/New_York")[0] == datetime(2025, 3, 9, 3, 30)
    lord_howe = to_utc(pl.Series(TRANSITIONS["Australia/Lord_Howe"][:1]), "Australia/Lord_Howe")
    assert to_local(lord_howe["utc"], "Australia/Lord_Howe").to_list() == [datetime(2025, 10, 5, 2, 45)]


@settings(max_examples=100, deadline=None)
@given(st.sampled_from(ZONES), wall_clocks)
def test_utc_to_local_as_zoneinfo(zone: str, utc: datetime) -> None:
    local = to_local(pl.Series([utc]), zone)
    assert local.to_list() == [utc.replace(tzinfo=UTC).astimezone(ZoneInfo(zone)).replace(tzinfo=None)]


@pytest.mark.parametrize("zone", ZONES)
def test_many_times_of_an_hour_are_shifted_as_each_alone(zone: str) -> None:
    middles = [*TRANSITIONS[zone], datetime(2025, 7, 1, 12)]
    for start in [middle + timedelta(hours=hour) for middle in middles for hour in range(-13, 14)]:
        times = [start + timedelta(minutes=7 * n, microseconds=n) for n in range(16)]
        column = pl.Series(times)
        assert to_utc(column, zone).rows() == [zoneinfo_utc(moment, zone) for moment in times]
        walls = [at.replace(tzinfo=UTC).astimezone(ZoneInfo(zone)).replace(tzinfo=None) for at in times]
        assert to_local(column, zone).to_list() == walls


@settings(max_examples=50, deadline=None)
@given(st.lists(st.none() | st.datetimes(datetime(1, 1, 2)), max_size=6), st.booleans())
def test_iso_texts(drawn: list[datetime | None], whole: bool) -> None:
    times = [at and at.replace(microsecond=0) if whole else at for at in drawn]
    texts = [at and at.strftime(f"{at.year:04d}-%m-%dT%H:%M:%S.%f") for at in times]
    assert iso_texts(pl.Series(times, dtype=pl.Datetime("us"))).to_list() == texts

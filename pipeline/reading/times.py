"""Text to times: strptime formats read strictly and vectorised, and local time to UTC and back."""

from __future__ import annotations

import re
from collections.abc import Callable, Collection
from datetime import UTC
from functools import cache
from typing import NamedTuple
from zoneinfo import ZoneInfo

import polars as pl

from pipeline.reading.table import trimmed

EPOCH_FORMATS = ("epoch_s", "epoch_ms")

# The patterns of Python's strptime, with ASCII digits only; leftmost choice first, as there.
_DIRECTIVES = {
    "Y": "[0-9]{4}",
    "y": "[0-9]{2}",
    "m": "1[0-2]|0[1-9]|[1-9]",
    "d": "3[01]|[12][0-9]|0[1-9]|[1-9]| [1-9]",
    "H": "2[0-3]|[01][0-9]|[0-9]",
    "I": "1[0-2]|0[1-9]|[1-9]",
    "M": "[0-5][0-9]|[0-9]",
    "S": "[0-5][0-9]|[0-9]",
    "f": "[0-9]{1,6}",
    "p": "AM|PM",
    "z": r"[+-](?:[01][0-9]|2[0-3]):?[0-5][0-9](?::?[0-5][0-9])?|(?-i:Z)",
}
_ISO = (
    r"^(?<all>(?<Y>[0-9]{4})-(?<m>0[1-9]|1[0-2])-(?<d>0[1-9]|[12][0-9]|3[01])"
    r"(?:[ T](?<H>[01][0-9]|2[0-3]):(?<M>[0-5][0-9]):(?<S>[0-5][0-9])(?:[.,](?<f>[0-9]{1,6}))?)?)$"
)
_DATE_PARTS = (("m", "month"), ("d", "day"))
# The widest readings of directives, which their patterns try first, and how many digits they have.
_WIDE = {
    "Y": (4, _DIRECTIVES["Y"]),
    "y": (2, _DIRECTIVES["y"]),
    "m": (2, "1[0-2]|0[1-9]"),
    "d": (2, "3[01]|[12][0-9]|0[1-9]"),
    "H": (2, "2[0-3]|[01][0-9]"),
    "M": (2, "[0-5][0-9]"),
    "S": (2, "[0-5][0-9]"),
}
# A date and a clock with marks between their numbers.
_IN_ORDER = re.compile(r"(?:%Y([-./])%m\1%d|%d([-./])%m\2%Y|%m([-./])%d\3%Y)[ T]%H:%M(?::%S)?")
_EXCLUSIVE = (("Y", "y"), ("H", "I"))
_NEEDS = {"I": "p", "p": "I", "M": "HI", "S": "M", "f": "S", "z": "HI"}
_HOUR_US = 3_600_000_000
_DAY_US = 24 * _HOUR_US
_LAST_EPOCH_S = 253_402_300_800  # the year 10000


def check_format(fmt: str) -> list[str]:
    """What is wrong with a layout's time format, in plain words; empty where it is good."""
    if fmt in EPOCH_FORMATS:
        return []
    used = re.findall(r"%(.?)", fmt, re.DOTALL)
    problems = [
        f"%{letter} is not known; use %Y %y %m %d %H %I %M %S %f %p %z, or epoch_s, epoch_ms"
        for letter in dict.fromkeys(used)
        if letter not in _DIRECTIVES
    ]
    problems += [f"%{letter} is written twice" for letter in _DIRECTIVES if used.count(letter) > 1]
    if "Y" not in used and "y" not in used:
        problems.append("the year is missing: %Y or %y")
    problems += [f"the {name} is missing: %{letter}" for letter, name in _DATE_PARTS if letter not in used]
    problems += [
        f"%{first} and %{second} say the same: use one"
        for first, second in _EXCLUSIVE
        if first in used and second in used
    ]
    problems += [
        f"%{letter} needs {' or '.join('%' + n for n in needed)}"
        for letter, needed in _NEEDS.items()
        if letter in used and not set(needed) & set(used)
    ]
    return problems


def parse_local(text: pl.Series, fmt: str, iso_too: bool = False) -> pl.DataFrame:
    """Times of texts in a format that `check_format` finds good, as Python's strptime reads them.

    Columns: `local` (Datetime us: the wall clock as written, for epochs that of UTC; null where the trimmed
    text is not wholly of the format or no date), `utc` (Datetime us: where the text itself gives the instant,
    by %z or as an epoch; else null; the local time of such a row is `to_local(utc, zone)`), `time_known` and
    `seconds_known` (Boolean). `iso_too`: also 2025-09-01 and 2025-09-01 10:22:00, as workbooks give them;
    what such a row knows of its time is said row by row. A decimal of epochs beyond a microsecond is cut.
    """
    frame = pl.DataFrame({"text": text}, schema={"text": pl.String}).select(trimmed(pl.col("text")))
    if fmt in EPOCH_FORMATS:
        instant = _epoch(pl.col("text"), fmt)
        parsed = frame.select(local=instant, utc=instant, time_known=pl.lit(True), seconds_known=pl.lit(True))
    else:
        parsed = _parse_format(frame, fmt.strip())
        parsed = parsed.with_columns(
            time_known=pl.lit("%H" in fmt or "%I" in fmt), seconds_known=pl.lit("%S" in fmt)
        )
    return _or_iso(frame, parsed) if iso_too else parsed


def to_utc(local: pl.Series, timezone: str) -> pl.DataFrame:
    """Wall clock (Datetime us) in a zone to `utc` (Datetime us) and `ambiguous` (Boolean).

    An hour that occurs twice is its earlier instant; one that is skipped moves forward by the gap (02:30 is
    03:30); both are ambiguous. Null stays null and is not ambiguous.
    """

    def unique(wall: pl.Series) -> pl.Series:
        zoned = wall.dt.replace_time_zone(timezone, ambiguous="null", non_existent="null")
        return zoned.dt.convert_time_zone("UTC").dt.replace_time_zone(None)

    utc = _by_the_hour(local.cast(pl.Datetime("us")), unique)
    if utc.null_count() == local.null_count():
        return pl.select(utc=utc, ambiguous=pl.repeat(False, len(local)))
    zoned = pl.col("local").dt
    frame = pl.DataFrame({"local": local.cast(pl.Datetime("us"))}).with_columns(
        first=zoned.replace_time_zone(timezone, ambiguous="earliest", non_existent="null"),
        last=zoned.replace_time_zone(timezone, ambiguous="latest", non_existent="null"),
    )
    skipped = frame.filter(pl.col("first").is_null() & pl.col("local").is_not_null())["local"].unique()
    moved = pl.DataFrame(
        {"local": skipped, "moved": _skipped_to_utc(skipped, timezone)},
        schema={"local": pl.Datetime("us"), "moved": pl.Datetime("us")},
    )
    in_utc = pl.col("first").dt.convert_time_zone("UTC").dt.replace_time_zone(None)
    return frame.join(moved, on="local", how="left", maintain_order="left").select(
        utc=pl.coalesce(in_utc, "moved"),
        ambiguous=(pl.col("first") != pl.col("last")).fill_null(pl.col("moved").is_not_null()),
    )


def to_local(utc: pl.Series, timezone: str) -> pl.Series:
    """UTC (Datetime us, no zone) to the wall clock in a zone (Datetime us, no zone)."""

    def wall(instants: pl.Series) -> pl.Series:
        return instants.dt.replace_time_zone("UTC").dt.convert_time_zone(timezone).dt.replace_time_zone(None)

    return _by_the_hour(utc.cast(pl.Datetime("us")), wall).alias("local")


def _by_the_hour(times: pl.Series, convert: Callable[[pl.Series], pl.Series]) -> pl.Series:
    """`convert(times)`, sooner: times follow one another, and nearly all hours are shifted as a whole."""
    hours = times.dt.epoch("us") // _HOUR_US
    runs = hours.rle_id()
    if times.is_empty() or runs[-1] > len(times) / 2:
        return convert(times)
    begins = (hours.gather(runs.is_first_distinct().arg_true()) * _HOUR_US).cast(pl.Datetime("us"))
    shift, at_end = (convert(at) - at for at in (begins, begins.dt.offset_by(f"{_HOUR_US - 1}us")))
    if not shift.equals(at_end, null_equal=True) or shift.null_count() != begins.null_count():
        return convert(times)
    return times + shift.gather(runs)


def iso_texts(times: pl.Series) -> pl.Series:
    """Times (Datetime us) as texts such as 2025-09-01T10:22:00.000000."""
    micros = times.dt.epoch("us")
    days = micros // _DAY_US
    of_day = micros - days * _DAY_US
    seconds = of_day // 1_000_000
    if times.is_empty() or (seconds * 1_000_000 != of_day).any():
        return times.dt.strftime("%Y-%m-%dT%H:%M:%S%.6f")
    # A day's text is made once, a clock's is looked up: it takes a fifth of the time.
    runs = days.rle_id()
    begins = times.gather(runs.is_first_distinct().arg_true()).dt.strftime("%Y-%m-%dT")
    return begins.gather(runs) + _clock_texts().gather(seconds)


@cache
def _clock_texts() -> pl.Series:
    """The texts of all whole seconds of a day."""
    midnight = pl.datetime(2000, 1, 1, time_unit="us")
    of_day = pl.duration(seconds=pl.int_range(24 * 3600), time_unit="us")
    return pl.select((midnight + of_day).dt.strftime("%H:%M:%S%.6f")).to_series()


def _skipped_to_utc(skipped: pl.Series, timezone: str) -> pl.Series:
    """Wall clocks that do not exist, with the offset before the gap (PEP 495, fold 0); few, so one by one."""
    zone = ZoneInfo(timezone)
    instants = [wall.replace(tzinfo=zone).astimezone(UTC).replace(tzinfo=None) for wall in skipped.to_list()]
    return pl.Series(instants, dtype=pl.Datetime("us"))


def _pieces(fmt: str) -> list[str]:
    """A format as its directives, its runs of white space and what stands between."""
    return [piece for piece in re.split(r"(%.|\s+)", fmt, flags=re.DOTALL) if piece]


def _format_pattern(fmt: str) -> str:
    """A format as a regular expression with a group a directive and the group `all` round the match."""
    pieces = []
    for piece in _pieces(fmt):
        if piece.startswith("%"):
            pieces.append(f"(?<{piece[1]}>{_DIRECTIVES[piece[1]]})")
        else:
            pieces.append(r"\s+" if piece.isspace() else re.escape(piece))
    return f"(?i)^(?<all>{''.join(pieces)})"


def _parse_format(frame: pl.DataFrame, fmt: str) -> pl.DataFrame:
    """`local` and `utc` of texts wholly of a format."""
    letters = re.findall("%(.)", fmt)
    fixed = _fixed(fmt)
    if fixed is None or not frame.select(pl.col("text").str.contains(fixed.pattern).all()).item():
        return _parse_parts(frame, _format_pattern(fmt), letters)
    # Where all texts have their full width, as most exports write them, polars reads most formats right by
    # itself, and soonest; and each part stands at its place.
    if _IN_ORDER.fullmatch(fmt):
        local = frame["text"].str.to_datetime(fmt, time_unit="us", strict=False, cache=False)
        if local.null_count() == frame["text"].null_count() and (local.dt.year() > 0).all():
            return frame.select(local=local, utc=pl.lit(None, dtype=pl.Datetime("us")))
    parts = frame.select(pl.col("text").str.slice(*place).alias(name) for name, place in fixed.places.items())
    nothing = pl.lit(None, dtype=pl.Datetime("us"))
    return _numbered(parts).select(local=_wall_clock(letters).cast(pl.Datetime("us")), utc=nothing)


class _Fixed(NamedTuple):
    """What texts of a format look like that have its full width: the pattern that they wholly match, and
    directive -> (where its text begins, how long it is)."""

    pattern: str
    places: dict[str, tuple[int, int]]


def _fixed(fmt: str) -> _Fixed | None:
    """None where a part of the format has no one width."""
    places: dict[str, tuple[int, int]] = {}
    pattern, at = "", 0
    for piece in _pieces(fmt):
        if piece.startswith("%"):
            if piece[1] not in _WIDE:
                return None
            width, digits = _WIDE[piece[1]]
            places[piece[1]] = at, width
            pattern += f"(?:{digits})"
        else:
            width = len(piece)
            pattern += re.escape(piece)
        at += width
    return _Fixed(f"^(?:{pattern})$", places)


def _parse_parts(frame: pl.DataFrame, pattern: str, letters: Collection[str]) -> pl.DataFrame:
    """`local` and `utc` of texts wholly matched by a pattern that has a group a directive."""
    parts = frame.select("text", pl.col("text").str.extract_groups(pattern).alias("parts")).unnest("parts")
    wholly = pl.col("all") == pl.col("text")
    parts = parts.with_columns(pl.when(wholly).then(pl.col(letter)).alias(letter) for letter in letters)
    parts = _numbered(parts)
    local = _wall_clock(letters)
    utc = local - _offset() if "z" in letters else pl.lit(None)
    return parts.select(local=local.cast(pl.Datetime("us")), utc=utc.cast(pl.Datetime("us")))


def _numbered(parts: pl.DataFrame) -> pl.DataFrame:
    """Parts with those that are whole numbers as such; a day may have a blank before it."""
    numbers = [pl.col(letter) for letter in "YymdHIMS" if letter in parts.columns]
    return parts.with_columns(number.str.strip_chars_start(" ").cast(pl.Int32) for number in numbers)


def _wall_clock(letters: Collection[str]) -> pl.Expr:
    """The datetime of the parts, null for dates that are none (31.02.)."""
    hour = _clock_part("H", letters)
    if "I" in letters:
        afternoon = pl.col("p").str.to_uppercase() == "PM"
        hour = pl.col("I") % 12 + 12 * afternoon.cast(pl.Int32)
    micros = pl.col("f").str.pad_end(6, "0").cast(pl.Int32).fill_null(0) if "f" in letters else pl.lit(0)
    year, month = _year(letters), pl.col("m")
    # From the first of the month on, so that a 31 February is found out and not an error.
    first = pl.datetime(year, month, 1, hour, _clock_part("M", letters), _clock_part("S", letters), micros)
    moment = first + pl.duration(days=pl.col("d") - 1)
    return pl.when((moment.dt.month() == month) & (year >= 1)).then(moment)


def _clock_part(letter: str, letters: Collection[str]) -> pl.Expr:
    """A part of the clock as a whole number; 0 where the format or the text lacks it."""
    return pl.col(letter).fill_null(0) if letter in letters else pl.lit(0)


def _year(letters: Collection[str]) -> pl.Expr:
    if "Y" in letters:
        return pl.col("Y")
    short = pl.col("y")
    return short + pl.when(short < 69).then(2000).otherwise(1900)  # POSIX's rule, as in strptime


def _offset() -> pl.Expr:
    """The distance from UTC that %z gives: +0200, +02:00, +02:00:30 or Z."""
    digits = pl.col("z").str.replace_all(":", "", literal=True)

    def two(at: int) -> pl.Expr:
        return digits.str.slice(at, 2).cast(pl.Int64, strict=False).fill_null(0)

    size = pl.duration(hours=two(1), minutes=two(3), seconds=two(5))
    return pl.when(digits.str.starts_with("-")).then(-size).otherwise(size)


def _epoch(text: pl.Expr, fmt: str) -> pl.Expr:
    """The instant of epoch texts, exact to the microsecond."""
    places = 6 if fmt == "epoch_s" else 3
    parts = text.str.extract_groups(r"^(?<whole>[0-9]{1,15})(?:[.,](?<decimals>[0-9]*))?$").struct
    decimals = parts.field("decimals").fill_null("").str.slice(0, places).str.pad_end(places, "0")
    micros = parts.field("whole").cast(pl.Int64) * 10**places + decimals.cast(pl.Int64)
    return pl.when(micros < _LAST_EPOCH_S * 10**6).then(micros).cast(pl.Datetime("us"))


def _or_iso(frame: pl.DataFrame, parsed: pl.DataFrame) -> pl.DataFrame:
    """Rows that the format did not fit, read as a workbook's ISO text where they are that."""
    iso = _parse_parts(frame, _ISO, "YmdHMSf").select(iso="local")
    has_time = frame["text"].str.len_chars() > len("2025-09-01")
    is_iso = pl.col("local").is_null() & pl.col("iso").is_not_null()
    return pl.concat([parsed, iso, pl.DataFrame({"has_time": has_time})], how="horizontal").select(
        pl.coalesce("local", "iso").alias("local"),
        "utc",
        *(
            pl.when(is_iso).then("has_time").otherwise(name).alias(name)
            for name in ("time_known", "seconds_known")
        ),
    )

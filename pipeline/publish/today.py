"""Today's sheet as a page for a phone and as CSV; from frames only."""

from __future__ import annotations

import io
from collections.abc import Iterator
from dataclasses import dataclass
from datetime import date, datetime
from html import escape
from pathlib import Path

import polars as pl

from pipeline.publish.files import put
from pipeline.publish.flat import inert
from pipeline.rights import private
from schemas.coach_files import TODAY

_STYLE = """
body{font:16px/1.4 system-ui,sans-serif;margin:0 auto;max-width:46rem;padding:0 .8rem 2rem;color:#1b1f24;
background:#fff}
h1{font-size:1.25rem;margin:.8rem 0 .1rem}h2{font-size:1.05rem;margin:1.4rem 0 .3rem;border-bottom:2px solid
#1b1f24} p{margin:.2rem 0;color:#4a525c}ul{list-style:none;margin:0;padding:0}
li{display:flex;flex-wrap:wrap;gap:.1rem .6rem;padding:.45rem 0;border-bottom:1px solid #d6dbe1} b{flex:1 1
10rem}i{font-style:normal;white-space:nowrap;font-variant-numeric:tabular-nums} span{flex:1 1
100%;color:#4a525c;overflow-wrap:anywhere}details{margin-top:.4rem}summary{padding:.4rem 0} @media
(prefers-color-scheme:dark){body{background:#14171a;color:#e8eaed}p,span{color:#aab2bb}
h2{border-color:#e8eaed}li{border-color:#3a4048}}
"""


@dataclass(frozen=True)
class Sheet:
    """What today's sheet says. `made_at`: the facility's local time; `names`: athlete_id -> name.

    `planned`: athlete_id, squad, test, wanted, done. `repeats`, `questions`, `shifts`: athlete_id, device,
    about, why. `devices`: device, label, last_at (local).
    """

    facility: str
    day: date
    made_at: datetime
    planned: pl.DataFrame
    repeats: pl.DataFrame
    questions: pl.DataFrame
    shifts: pl.DataFrame
    devices: pl.DataFrame
    names: dict[str, str]

    def name(self, athlete_id: str | None) -> str:
        """What the athlete is called."""
        return "" if athlete_id is None else self.names.get(athlete_id) or athlete_id


def write_sheet(folder: Path, sheet: Sheet) -> list[Path]:
    """Write `today.html` and `today.csv` into a folder; returns them. They have names: only for their
    owner."""
    folder.mkdir(parents=True, exist_ok=True)
    page, rows = as_html(sheet).encode("utf-8", "replace"), io.BytesIO()
    inert(as_rows(sheet)).write_csv(rows, include_bom=True)
    return [
        put(folder / "today.html", lambda path: _write(path, page), private=True),
        put(folder / "today.csv", lambda path: _write(path, rows.getvalue()), private=True),
    ]


def _write(path: Path, data: bytes) -> None:
    with open(path, "wb", opener=private) as stream:
        stream.write(data)


def as_rows(sheet: Sheet) -> pl.DataFrame:
    """The sheet as one table: `part` is not_tested, unfinished, done, repeat, question, everybody or device.

    It hangs on the warehouse and the day alone: `at` is when a device's last file came.
    """
    part = (
        pl.when(pl.col("done") >= pl.col("wanted"))
        .then(pl.lit("done"))
        .when(pl.col("done") > 0)
        .then(pl.lit("unfinished"))
        .otherwise(pl.lit("not_tested"))
    )
    parts = [
        sheet.planned.with_columns(part=part, about="test"),
        sheet.repeats.with_columns(part=pl.lit("repeat")),
        sheet.questions.with_columns(part=pl.lit("question")),
        sheet.shifts.with_columns(part=pl.lit("everybody")),
        sheet.devices.select(
            "device", about="label", at=pl.col("last_at").dt.strftime("%Y-%m-%d %H:%M")
        ).with_columns(part=pl.lit("device")),
    ]
    schema = dict.fromkeys(TODAY, pl.String) | {"done": pl.Int64, "wanted": pl.Int64}
    named = pl.col("athlete_id").replace_strict(sheet.names, default=None, return_dtype=pl.String)
    rows = pl.concat([pl.DataFrame(schema=schema), *parts], how="diagonal_relaxed")
    return rows.with_columns(athlete=named).select(pl.col(name).cast(dtype) for name, dtype in schema.items())


def as_html(sheet: Sheet) -> str:
    """The sheet as one page without anything from elsewhere; all that people wrote is escaped."""
    title = f"{sheet.facility}: {sheet.day:%A} {sheet.day.day} {sheet.day:%B %Y}"
    body = "\n".join([*_planned(sheet), *_asked(sheet), *_devices(sheet)])
    return f"""<!doctype html>
<html lang="en"><head><meta charset="utf-8">
<meta name="viewport" content="width=device-width, initial-scale=1">
<meta http-equiv="refresh" content="60"><title>{escape(title)}</title><style>{_STYLE}</style></head><body>
<h1>{escape(title)}</h1>
<p>As of {sheet.made_at:%H:%M}. Made anew whenever a file is taken in.</p>
{body}
</body></html>
"""


def _by_name(sheet: Sheet) -> pl.DataFrame:
    """Who is planned, in the order in which people look for somebody: by test, then by name."""
    name = pl.col("athlete_id").replace_strict(sheet.names, default=None, return_dtype=pl.String)
    return sheet.planned.sort("test", name.str.to_lowercase(), nulls_last=True, maintain_order=True)


def _planned(sheet: Sheet) -> Iterator[str]:
    planned = _by_name(sheet)
    if planned.is_empty():
        yield "<p>Nobody is planned for this day in config/testing_days.csv.</p>"
        return
    finished = pl.col("done") >= pl.col("wanted")
    for heading, rows in (
        ("Not tested yet", planned.filter(pl.col("done") == 0)),
        ("Not finished", planned.filter((pl.col("done") > 0) & ~finished)),
    ):
        if rows.height:
            yield f"<h2>{heading} ({rows.height})</h2><ul>"
            yield from _tests(sheet, rows)
            yield "</ul>"
    done = planned.filter(finished)
    if done.height == planned.height:
        yield "<p>Everybody who was planned is done.</p>"
    if done.height:
        yield f"<details><summary>Done ({done.height})</summary><ul>"
        yield from _tests(sheet, done)
        yield "</ul></details>"


def _tests(sheet: Sheet, rows: pl.DataFrame) -> Iterator[str]:
    for row in rows.iter_rows(named=True):
        what = (row["test"] or "any test").replace("_", " ")
        squad = f" · {(row['squad'] or '').replace('|', ', ')}" if row["squad"] else ""
        count = f"{row['done']} of {row['wanted']}"
        yield _item(sheet.name(row["athlete_id"]), count, f"{what}{squad}")


def _asked(sheet: Sheet) -> Iterator[str]:
    for heading, rows in (
        ("The whole day moved", sheet.shifts),
        ("Repeat now", sheet.repeats),
        ("To be answered", sheet.questions),
    ):
        if rows.is_empty():
            continue
        yield f"<h2>{heading} ({rows.height})</h2><ul>"
        labels = dict(sheet.devices.select("device", "label").iter_rows())
        for group in rows.partition_by("athlete_id", "device", maintain_order=True):
            yield from _reasons(sheet, group, labels)
        yield "</ul>"


def _reasons(sheet: Sheet, group: pl.DataFrame, labels: dict[str, str]) -> Iterator[str]:
    """All that is asked of an athlete on a device as one item; of nobody in particular an item each."""
    told = [(row["about"].replace("_", " "), row["why"]) for row in group.iter_rows(named=True)]
    who, device = group.select("athlete_id", "device").row(0)
    right = labels.get(device) or device or ""
    if who is not None:
        yield _item(sheet.name(who), right, *(f"{about}: {why}" for about, why in told))
    else:
        yield from (_item(about, right, why) for about, why in told)


def _devices(sheet: Sheet) -> Iterator[str]:
    yield "<h2>Last file of each device</h2><ul>"
    for row in sheet.devices.iter_rows(named=True):
        yield _item(row["label"], _ago(row["last_at"], sheet.made_at))
    yield "</ul>"


def _ago(at: datetime | None, now: datetime) -> str:
    """How long ago, as short as it can be said."""
    if at is None:
        return "no file yet"
    minutes = max(0, round((now - at).total_seconds() / 60))
    if minutes < 120:
        return f"{minutes} min ago"
    return f"{minutes // 60} h ago" if minutes < 48 * 60 else f"{minutes // 1440} days ago"


def _item(bold: str, right: str, *below: str) -> str:
    more = "".join(f"<span>{escape(text)}</span>" for text in below if text)
    return f"<li><b>{escape(bold)}</b><i>{escape(right)}</i>{more}</li>"

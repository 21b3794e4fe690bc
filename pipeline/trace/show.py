"""A trace in plain words, for a terminal."""

from __future__ import annotations

from typing import Any

import polars as pl

from pipeline.show import columns, harmless
from pipeline.trace.changed import Changed
from pipeline.trace.trace import Trace
from schemas.catalogue import Metric

_MOST = 40


def show_trace(found: Trace, name: str, metric: Metric) -> None:
    """Print a trace; `name` is the athlete's, as the roster writes it."""
    print(f"{name}: {metric.label} [{metric.unit}] ({metric.metric})")
    print(f"Formula: {metric.formula}")
    if not found.sessions:
        others = f" There are: {', '.join(found.others)}." if found.others else ""
        print(f"\nNo value of it as of the last refresh.{others}")
    for session in found.sessions:
        _session(session, metric)


def show_changed(found: Changed) -> None:
    """Print what changed since a day: the rows by kind, then the results that they moved."""
    rows, results = found.rows, found.results
    if rows.is_empty() and results.is_empty():
        print(f"Nothing changed since {found.since}.")
        return
    counts = dict(rows.group_by("kind").len().sort("kind").iter_rows())
    said = ", ".join(f"{count:,} {kind}" for kind, count in counts.items())
    moved = results.filter(pl.col("before").is_not_null())
    fresh = results.height - moved.height
    what = f"{moved.height:,} result(s) moved, {fresh:,} are new"
    print(f"Since {found.since}: {said or 'no rows changed'}; {what}.")
    # New rows are what everybody expects; the others are few, and each matters.
    others = rows.filter(pl.col("kind") != "new")
    if not others.is_empty():
        print()
        told = others.head(_MOST).select("kind", "local_date", "before", "after", "path", "line")
        columns(("kind", "date", "before", "after", "file", "line"), told.iter_rows())
        _more(others.height)
    if not moved.is_empty():
        print("\nResults that were there before:")
        columns(tuple(moved.columns), moved.head(_MOST).iter_rows())
        _more(moved.height)
    if fresh:
        print("\n`--json` lists the new results too.")


def _more(count: int) -> None:
    if count > _MOST:
        print(f"... and {count - _MOST:,} more; `--json` lists them all.")


def _session(session: dict[str, Any], metric: Metric) -> None:
    status = "" if session["available"] in ("yes", None) else "; not fully available"
    print(f"\n{session['session_date']}, session {session['session_id']}{status}")
    for one in session["results"]:
        print(f"  {one['series']}")
        print(f"    {_result(one['result'], metric)}")
        for measured in one["measurements"]:
            _measurement(measured, metric)
    for row in session["no_longer"]:
        print("  no longer counted here:")
        _versions(row, "    ")


def _result(result: dict[str, Any] | None, metric: Metric) -> str:
    if result is None:
        return "no result: none of these values counts"
    best = "" if result["best"] is None else f", best {_number(result['best'], metric)}"
    said = f"result {_number(result['value'], metric)} {result['unit']}"
    return f"{said} ({metric.summary} of {result['n_trials']}{best}){_flags(result['flags'])}"


def _measurement(measured: dict[str, Any], metric: Metric) -> None:
    trial = "" if measured["trial"] is None else f"trial {measured['trial']}: "
    value = "no value" if measured["value"] is None else f"{_number(measured['value'], metric)}"
    used = "" if measured["used"] else f"; not used: {measured['why_not_used']}"
    print(f"    {trial}{value}{_flags(measured['flags'])}{used}")
    for row in measured["rows"]:
        if row["role"] != "value":
            print(f"      {row['role'].replace('_', ' ')}:")
        if not row["versions"]:
            print("      its row is gone since the last refresh; run `yardmark refresh`")
        _versions(row, "      ")


def _versions(row: dict[str, Any], indent: str) -> None:
    for version in row["versions"]:
        values = ", ".join(f"{name} {_shown(value)}" for name, value in version["values"].items())
        mark = "" if version["mark"] == "ok" else f", marked {version['mark']}"
        head = f"version {version['number']}"
        if not version["current"]:
            until = f", until {version['known_until']:%Y-%m-%d %H:%M}" if version["known_until"] else ""
            head += f" (replaced: {version['ended']}{until})"
        whose = f" of {version['athlete_id']}" if row["role"] == "no longer counted" else ""
        print(f"{indent}{head}{whose}: {values}{mark}")
        print(f"{indent}  {_place(version)}")
        for original in version["originals"]:
            print(f"{indent}  {original['line']}: {harmless(original['text'])}")
        if not version["originals"]:
            print(f"{indent}  (the line can't be read any more: its layout or its original is gone)")
        for answer in version["answers"]:
            about = f"{answer['code']} {answer['field']}".strip()
            print(f"{indent}  answered by {answer['by']} at {answer['at']}: {about}: {answer['answer']}")


def _place(version: dict[str, Any]) -> str:
    first, last = version["first_line"], version["last_line"]
    lines = f"line {first}" if first == last else f"lines {first} to {last} ({version['n_lines']} samples)"
    return f"{version['path'] or 'file'} ({version['file_id']}), {lines}"


def _flags(flags: str | None) -> str:
    return f" [{flags}]" if flags else ""


def _number(value: float, metric: Metric) -> str:
    return f"{value:.{metric.decimals}f}"


def _shown(value: object) -> str:
    return f"{value:g}" if isinstance(value, float) else str(value)

"""The truth as CSV, outside the exports: every number, every line, every fault."""

import csv
from collections.abc import Iterable
from pathlib import Path
from typing import Any

from .export import Export, Line
from .faults.base import Book, Fault
from .spec import Quantity, utc

MEASURED = (
    "file",
    "line",
    "family",
    "device",
    "athlete_id",
    "written_name",
    "local_date",
    "local_time",
    "performed_at_utc",
)
ABOUT = ("column", "true_value", "exported_value", "step", "fate", "current", "damaged", "code")


def _write_csv(path: Path, header: Iterable[str], lines: Iterable[Iterable[Any]]) -> None:
    """A CSV file with LF line ends."""
    path.parent.mkdir(parents=True, exist_ok=True)
    with path.open("w", encoding="utf-8", newline="") as file:
        writer = csv.writer(file, lineterminator="\n")
        writer.writerow(header)
        writer.writerows(lines)


def _occasion(export: Export, number: int, line: Line) -> dict[str, Any]:
    """Whose and when."""
    spec, row = export.spec, line.row
    assert row is not None
    moment, timed = spec.moment(row.at), spec.has_time()
    place = None if export.name else spec.at("athlete")
    on_line = "" if place is None or place >= len(line.cells) else line.cells[place]
    return {
        "file": export.path,
        "line": number,
        "family": spec.family,
        "device": spec.device,
        "athlete_id": row.athlete_id,
        "written_name": export.name or on_line,
        "local_date": moment.date().isoformat(),
        "local_time": moment.time().isoformat() if timed else "",
        "performed_at_utc": utc(moment).isoformat() if timed else "",
    }


def _number(line: Line, number: Quantity) -> dict[str, Any]:
    """What was measured, and what becomes of it."""
    current = line.fate in ("loaded", "superseding") and not line.superseded
    return {
        "column": number.column,
        "true_value": f"{number.true:.12g}",
        "exported_value": repr(number.exported),
        "step": f"{number.step:.9g}",
        "fate": line.fate,
        "current": int(current),
        "damaged": int(line.damaged),
        "code": line.code,
    }


def measurements(book: Book) -> list[dict[str, Any]]:
    """A row a number of a line, with the facts that its stored row carries."""
    found = []
    for path in sorted(book):
        export = book[path]
        for place, line in enumerate(export.lines, 1):
            if line.row is None:
                continue
            occasion, facts = _occasion(export, place, line), {**export.facts, **line.row.facts, **line.now}
            distance = line.row.values.get("distance_m")
            gate = {} if distance is None else {"distance_m": int(distance)}
            since = line.row.values.get("time_s")
            gate |= {} if since is None else {"sample_ms": round(since * 1000)}
            found += [
                occasion | gate | facts | number.facts | added | _number(line, number)
                for number, added in _told(line, export.above if line.numbers else [])
            ]
    return found


def _told(line: Line, above: list[Quantity]) -> list[tuple[Quantity, dict[str, str | float]]]:
    """The numbers of a line's stored rows: those of no unpivoted column stand on each of the rows."""
    rows = list(
        {tuple(number.facts.items()): number.facts for number in line.numbers if number.facts}.values()
    )
    return [
        (number, added)
        for number in [*line.numbers, *above]
        for added in ([{}] if number.facts or not rows else rows)
    ]


RESULTS = ("trial", "metric", "true_value", "fate")


def results(book: Book) -> list[dict[str, Any]]:
    """A row a trial and metric: what a trial of many lines comes to without noise, at its first line."""
    found: dict[tuple[Any, ...], dict[str, Any]] = {}
    for path in sorted(book):
        for place, line in enumerate(book[path].lines, 1):
            if line.row is None:
                continue
            occasion, trial = _occasion(book[path], place, line), line.row.facts.get("trial", "")
            for metric, value in line.row.results.items():
                told = {"trial": trial, "metric": metric, "true_value": f"{value:.9g}", "fate": line.fate}
                found.setdefault((path, line.row.athlete_id, line.row.at, trial, metric), occasion | told)
    return list(found.values())


def _faults(book: Book, faults: list[Fault]) -> list[list[Any]]:
    """A row a fault, with its line as it stands in the file."""
    return [
        [one.title, one.path, place_of(book, one), one.code, one.does, one.written, _numbers(one.modes)]
        for one in faults
    ]


def _numbers(modes: tuple[int, ...]) -> str:
    """Numbers as one cell."""
    return " ".join(map(str, modes))


def place_of(book: Book, fault: Fault) -> int | str:
    """The physical line of a fault; nothing where the whole file is meant."""
    if fault.line is None:
        return ""
    return next(place for place, line in enumerate(book[fault.path].lines, 1) if line is fault.line)


def write_truth(book: Book, faults: list[Fault], folder: Path) -> None:
    """Writes `measurements.csv`, `lines.csv`, `runs.csv` and `faults.csv`."""
    rows = measurements(book)
    facts = sorted({key for row in rows for key in row} - set(MEASURED) - set(ABOUT))
    header = [*MEASURED, *facts, *ABOUT]
    _write_csv(folder / "measurements.csv", header, ([row.get(key, "") for key in header] for row in rows))
    lines = (
        [path, place, line.kind, line.fate, line.code]
        for path in sorted(book)
        for place, line in enumerate(book[path].lines, 1)
    )
    _write_csv(folder / "lines.csv", ("file", "line", "kind", "fate", "code"), lines)
    header = [*MEASURED, *RESULTS]
    _write_csv(folder / "runs.csv", header, ([row[key] for key in header] for row in results(book)))
    _write_csv(
        folder / "faults.csv",
        ("title", "file", "line", "code", "expectation", "written", "modes"),
        _faults(book, faults),
    )

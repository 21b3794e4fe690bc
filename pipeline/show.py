"""What the commands print: plain words for people, and the same as data for --json."""

from __future__ import annotations

import sys
from collections.abc import Iterable, Mapping, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

import polars as pl

from pipeline.facility.problems import Problem, mistakes
from schemas.codes import CODES

# What is shown comes from whoever made it, and is known then.
if TYPE_CHECKING:
    from pipeline.facility.folder import Facility
    from pipeline.forget import Plan
    from pipeline.intake.answers import Answer
    from pipeline.intake.dry_run import DryRun
    from pipeline.intake.identity import Names
    from pipeline.intake.intake import IntakeReport
    from pipeline.intake.propose.propose import Proposal
    from pipeline.intake.unread import Unread
    from pipeline.run import Run
    from pipeline.status import Status

_MOST = 40
_MOST_ALIKE = 4
_COUNTS = ("lines", "loaded", "held", "repeated", "superseding", "skipped")


def columns(head: Iterable[str], rows: Iterable[Iterable[object]]) -> None:
    """Print rows in columns, numbers to the right; never wider than the texts are."""
    texts = [[_cell(cell) for cell in row] for row in rows]
    names = list(head)
    widths = [max(len(name), *(len(row[i]) for row in texts), 0) for i, name in enumerate(names)]
    right = [all(_is_number(row[i]) for row in texts) and bool(texts) for i in range(len(names))]
    for row in [names, ["-" * width for width in widths], *texts]:
        cells = (c.rjust(w) if r else c.ljust(w) for c, w, r in zip(row, widths, right, strict=True))
        print("  ".join(cells).rstrip())


def _cell(value: object) -> str:
    if value is None:
        return ""
    if isinstance(value, float):
        return f"{value:.6g}"
    return harmless(str(value).replace("\n", " ").replace("\r", " "))


def harmless(text: object) -> str:
    """Text, such as a file's name or a line of it, without what a terminal would obey or can't show."""
    return "".join(char if char.isprintable() or char == "\t" else "\ufffd" for char in str(text))


def _is_number(text: str) -> bool:
    return text == "" or text.lstrip("-").replace(".", "", 1).replace("e", "", 1).isdigit()


def table(names: list[str], rows: list[tuple[Any, ...]]) -> None:
    """Print a query's result."""
    columns(names, rows)
    print(f"({len(rows)} row{'s' if len(rows) != 1 else ''})")


def problems(found: Iterable[Problem]) -> None:
    """Print config problems to stderr, one a line."""
    for problem in found:
        print(problem, file=sys.stderr)


def checked(found: list[Problem]) -> None:
    """What `check` found."""
    wrong = mistakes(found)
    problems(found)
    if wrong:
        print(f"{len(wrong)} mistake(s) to mend.", file=sys.stderr)
    elif found:
        print(f"The config has no mistakes; {len(found)} thing(s) to look at, above.")
    else:
        print("The config has no mistakes.")


def initialised(folder: Path) -> None:
    """What `init` made, and what to do next."""
    print(f"Made a facility in {folder}.")
    print(f"1. Set name and time zone, and name your devices, in {folder / 'config' / 'facility.toml'}.")
    print(f"2. Write your people into {folder / 'config' / 'athletes.csv'}.")
    print(f"3. Describe each export in {folder / 'config' / 'layouts'} (its README.md shows how).")
    print(f"4. Look it over: yardmark check {folder}")
    print(f"5. Put exports into {folder / 'inbox'}, then: yardmark run {folder}")


def intake_data(report: IntakeReport) -> dict[str, Any]:
    """An intake's report as data."""
    answering = report.answering
    return {
        "new_files": report.new_drops,
        "files": report.files.to_dicts(),
        "open": report.open_codes,
        "released_lines": report.released,
        "no_longer_read": [{"path": path, "layout": layout} for path, layout in report.unread],
        "waiting": [{"path": str(w.path), "why": w.why} for w in report.waiting],
        "answers": vars(answering) if answering else None,
    }


def intake(report: IntakeReport, facility: Facility) -> None:
    """What an intake did, in a few lines."""
    taken_in(report, facility)
    _questions(report.open_codes, facility)


def taken_in(report: IntakeReport, facility: Facility) -> None:
    """What an intake took in, and what it left alone."""
    for item in report.waiting:
        print(f"Left alone: {harmless(item.path.relative_to(facility.inbox))}: {item.why}.")
    if report.answering is not None:
        answered(report)
    if report.new_drops == 0:
        print("No new exports in the inbox.")
    else:
        totals = {name: int(report.files[name].sum()) for name in _COUNTS}
        print(f"{report.new_drops} file(s) taken in: {_in_words(totals)}.")
        _whole_files(report.files)
    no_longer_read(report.unread)


def _in_words(totals: Mapping[str, int]) -> str:
    words = [f"{totals['lines']:,} lines", f"{totals['loaded']:,} loaded"]
    words += [f"{totals[name]:,} {name}" for name in _COUNTS[2:] if totals[name]]
    return ", ".join(words)


def _whole_files(files: pl.DataFrame) -> None:
    whole = files.filter(pl.col("status").is_in(["held", "rejected"]))
    for path, status, layout in whole.select("path", "status", "layout").head(_MOST).iter_rows():
        how = f"{status} whole" if layout is None else "no line could be loaded"
        print(f"  {how}: {harmless(path)}")
    counts = pl.sum_horizontal("loaded", "held", "repeated", "superseding")
    empty = files.filter((pl.col("status") == "loaded") & (counts == 0))
    for path in empty["path"].head(_MOST):
        print(
            f"  no value in it: {harmless(path)} (was anything recorded? Export it again, or delete it there)"
        )
    unmapped = files.filter(pl.col("unmapped").is_not_null()).unique("layout", maintain_order=True)
    for layout, names in unmapped.select("layout", "unmapped").iter_rows():
        print(f"  layout {layout}: neither mapped nor ignored: {harmless(names)}")


def _questions(open_codes: Mapping[str, int], facility: Facility) -> None:
    if not open_codes:
        print("No open questions.")
        return
    print(f"{sum(open_codes.values())} open question(s):")
    for code, count in open_codes.items():
        print(f"  {count:>4}  {code}: {CODES[code].sentence}")
    print(f"The sheets to answer them are in {facility.held}; `yardmark held {facility.folder}` lists them.")


def no_longer_read(unread: Unread) -> None:
    """Files that a layout read and does not read any more."""
    if not unread:
        return
    print(f"{len(unread)} file(s) are no longer read by the layout that read them; their rows are out:")
    for path, layout in unread[:_MOST]:
        print(f"  {path} (layout {layout})")
    print(
        "  Undo the change of the layout, or keep the old one beside the new under another name "
        "(narrow their [match] parts); then run `yardmark retry`."
    )


def renamed(name: str, was: str | None, report: IntakeReport) -> None:
    """What an alias let go, and who the name was before."""
    if was is not None:
        print(f"'{name}' was {was} until now; what was filed there under this name goes over.")
    released(report)


def released(report: IntakeReport) -> None:
    """What an alias, a sheet or a retry let go."""
    answered(report)
    no_longer_read(report.unread)
    print(f"{report.released} line(s) released; {sum(report.open_codes.values())} question(s) still open.")
    if report.released:
        print("Run `yardmark refresh` to see them in the published tables.")


def answers(standing: list[Answer]) -> None:
    """The answers that stand, the oldest first."""
    if not standing:
        print("No answers were given yet.")
        return
    told = ((one.at.isoformat(), one.by, one.kind, one.subject, one.answer) for one in standing)
    columns(("at", "by", "kind", "about", "answer"), told)
    print("\n`yardmark answers FACILITY --take-back AT` undoes those of a moment.")


def taken_back(undone: list[Answer], report: IntakeReport) -> None:
    """What answers were undone, and what waits again."""
    for one in undone:
        print(f"Taken back: {one.kind} {one.subject}: {one.answer}")
    print(f"{sum(report.open_codes.values())} question(s) open. Run `yardmark refresh` to see what follows.")


def answered(report: IntakeReport) -> None:
    """What came of filled sheets."""
    answering = report.answering
    if answering is None:
        return
    print(f"{answering.taken} answer(s) taken.")
    for person in answering.new_people:
        print(f"  new on the roster: {person} (complete birth date and sex in config/new_people.csv)")
    for refused in answering.refused:
        print(f"  look again: {refused}")


def held(rows: Iterable[Mapping[str, Any]], suspects: pl.DataFrame, names: Names, folder: Path) -> None:
    """All that is held back, a line what is answered alike, and the questions about suspected trials."""
    waiting = list(rows)
    if not waiting:
        print("Nothing is held back.")
    else:
        _held_lines(waiting)
    if not suspects.is_empty():
        from pipeline.intake.suspect_sheet import proposed_in_words, seen_in_words

        print("\nTrials that wait for an answer:")
        told = (
            (s["code"], s["athlete_id"] or "several", s["device"], s["local_date"], seen_in_words(s),
             proposed_in_words(s, names))
            for s in suspects.iter_rows(named=True)
        )  # fmt: skip
        columns(("code", "athlete", "device", "date", "seen", "proposal"), told)
    if waiting or not suspects.is_empty():
        print(f"\nFill in the answer column of the sheets in {folder}, then run `yardmark answers`.")


def _held_lines(rows: Sequence[Mapping[str, Any]]) -> None:
    """What waits: lines of a file with one reason and one text seen together, and so where texts are many."""
    alike: dict[tuple[object, ...], dict[str, list[Mapping[str, Any]]]] = {}
    for row in rows:
        about = (row["path"], row["code"], row["field"])
        alike.setdefault(about, {}).setdefault(row["seen"] or "", []).append(row)
    lines: list[tuple[object, ...]] = []
    for (path, code, _), by_seen in alike.items():
        many = len(by_seen) > _MOST_ALIKE
        parts = [[row for part in by_seen.values() for row in part]] if many else by_seen.values()
        for part in parts:
            seen = part[0]["seen"] or ""
            if many:
                seen += f" ... {len(by_seen)} in all"
            lines.append((path, _spans([row["line"] for row in part]), code, seen, part[0]["reason"]))
    columns(("file", "line", "code", "seen", "why"), lines[:_MOST])
    if len(lines) > _MOST:
        print(f"... and {len(lines) - _MOST} more; the sheets, and `--json`, have all.")
    print()
    for code in dict.fromkeys(row["code"] for row in rows):
        print(f"{code}: {CODES[code].remedy}")


def _spans(lines: Sequence[int | None]) -> str:
    """Numbers of lines, ascending, in few letters: 3-8, 12; `all` where the whole file is meant."""
    numbers = sorted({line for line in lines if line is not None})
    if not numbers:
        return "all"
    spans: list[list[int]] = []
    for number in numbers:
        if spans and number == spans[-1][1] + 1:
            spans[-1][1] = number
        else:
            spans.append([number, number])
    told = [str(first) if first == last else f"{first}-{last}" for first, last in spans]
    more = len(told) - _MOST_ALIKE
    return ", ".join(told[:_MOST_ALIKE]) + (f", {more} more" if more > 0 else "")


def dry_run(result: DryRun) -> None:
    """How a file would be stored."""
    counts = result.counts
    said = _in_words({name: counts[name] or 0 for name in _COUNTS})
    print(f"{harmless(result.path)}: layout {result.layout or 'none'}; {said}.")
    print("Nothing was stored; compared with itself only, not with what is stored already.")
    if result.unmapped:
        print(f"Neither mapped nor ignored: {harmless(', '.join(result.unmapped))}")
    if not result.rows.is_empty():
        told = [name for name in result.rows.columns if result.rows[name].null_count() < result.rows.height]
        hidden = {"row_id", "trial_id", "session_id", "sample_set_id", "file_id", "version"}
        hidden |= {"time_known", "performed_at_utc"}
        shown = result.rows.select(name for name in told if name not in hidden)
        columns(shown.columns, shown.iter_rows())
    if not result.held.is_empty():
        print("\nWould be held:")
        lines = [
            ("all" if row[0] is None else row[0], *row[1:]) for row in result.held.head(_MOST).iter_rows()
        ]
        columns(("line", "code", "field", "seen", "why"), lines)


def proposal(proposed: Proposal) -> None:
    """The proposed file alone on stdout, to be redirected; what to look at on stderr."""
    print(proposed.text, end="")
    doubtful = sum(choice.standing == "doubtful" for choice in proposed.choices)
    questions = sum(choice.standing == "open" for choice in proposed.choices)
    said = (
        f"{doubtful} marked DOUBTFUL, {questions} OPEN; look them through and save it as {proposed.save_as}"
    )
    print(f"yardmark: a {proposed.kind} is proposed: {said}", file=sys.stderr)


def run_data(run: Run) -> dict[str, Any]:
    """A run's report as data."""
    return {
        "as_of": run.last_day,
        "valid_on": run.valid_on,
        "steps": run.done,
        "intake": intake_data(run.intake) if run.intake else None,
        "suspects": run.asked,
        "rows": run.published.rows if run.published else {},
        "files": [str(path) for path in run.published.files] if run.published else [],
        "edition": [str(path) for path in run.edition or []],
    }


def refreshed(run: Run) -> None:
    """What a refresh published."""
    from pipeline.intake.sheets import SUSPECTS_FILE

    published = run.published
    if published is None:
        return
    rows = published.rows
    print(f"Statistics as of {run.last_day}; people as of {run.valid_on}.")
    if "publish" not in run.done:
        print("Nothing has changed since they were published; they stand as they are.")
    print(
        f"Published {rows['measurements']:,} values from {rows['sessions']:,} sessions, "
        f"{rows['results']:,} results, {rows['norms']:,} lines of norms."
    )
    print(f"They are in {run.facility.published}.")
    if run.asked:
        print(
            f"{run.asked} question(s) about trials that may be wrong are in "
            f"{run.facility.held / SUSPECTS_FILE}."
        )
    if run.edition:
        print(f"The edition of the week that has closed: {run.edition[0]}")
    elif run.edition is not None:
        print("The week that has closed has no norms yet, so no edition was written.")


def status_data(found: Status) -> dict[str, Any]:
    """How a facility stands, as data."""
    return {
        "watched": found.watched,
        "last_runs": found.runs.to_dicts(),
        "inbox": [{"path": str(w.path), "why": w.why} for w in found.inbox],
        "open": found.open,
        "no_longer_read": [{"path": path, "layout": layout} for path, layout in found.unread],
        "without_a_value": found.empty,
        "next_runs": found.next_runs,
        "editions": found.editions,
    }


def status(found: Status, facility: Facility) -> None:
    """How a facility stands."""
    print("It is watched." if found.watched else "It is not watched: `yardmark watch` keeps it going.")
    if found.runs.is_empty():
        print("Nothing has run yet.")
    else:
        zone = facility.settings.timezone
        local = pl.col("started_at").dt.replace_time_zone("UTC").dt.convert_time_zone(zone)
        rows = found.runs.select(
            local.dt.strftime("%Y-%m-%d %H:%M:%S"),
            "started_by",
            "seconds",
            _few_steps(pl.col("steps")),
            pl.col("outcome").str.slice(0, 90),
        )
        columns(("last runs", "by", "seconds", "steps", "outcome"), rows.iter_rows())
    print()
    for item in found.inbox:
        print(f"In the inbox: {harmless(item.path.relative_to(facility.inbox))}: {item.why}.")
    if not found.inbox:
        print("The inbox is empty.")
    if found.open is None:
        print("Another run holds the facility, so the open questions are not told now.")
    else:
        _questions(found.open, facility)
    no_longer_read(found.unread)
    for path in found.empty[:_MOST]:
        print(f"No value in {path}: was anything recorded? Export it again, or delete it on the device.")
    when = "" if found.watched else " (while `yardmark watch` is up)"
    for name, moment in found.next_runs.items():
        print(f"Next {name} run{when}: {moment:%A %Y-%m-%d %H:%M} {facility.settings.timezone}")
    if found.editions:
        print(f"Last weekly edition: {facility.published / 'coach' / found.editions[0]}")


def _few_steps(steps: pl.Expr) -> pl.Expr:
    """The steps of a run in few words: all where they are few, else the first, the last, how many."""
    each = steps.str.split(", ")
    few = pl.format("{} ... {} ({} steps)", each.list.first(), each.list.last(), each.list.len())
    return pl.when(each.list.len() > _MOST_ALIKE).then(few).otherwise(steps)


def ran(run: Run) -> None:
    """What a run did."""
    if run.intake is not None:
        intake(run.intake, run.facility)
    refreshed(run)


def demo(folder: Path, run: Run) -> None:
    """What the demo did, and where to look."""
    ran(run)
    published = run.facility.published
    print("\nWhere to look:")
    print(f"  {published / 'coach' / 'norms.xlsx'}   the week's norms, for a coach")
    print(f"  {published / 'coach' / 'today.html'}   who is to be tested today, for a coach's phone")
    print(f"  {run.facility.held}   the questions that wait for a person")
    print(f"  {published / 'tables'}   every table as Parquet, some as CSV")
    print("and try:")
    print(f"  yardmark held {folder}")
    query = "SELECT population_label, metric_label, n_athletes, p50, unit, series_label FROM current_norms"
    print(f'  yardmark sql {folder} "{query} WHERE p50 IS NOT NULL LIMIT 10"')
    print("  yardmark tables")


def to_forget(plan: Plan, beyond: Sequence[str]) -> None:
    """What forgetting an athlete does, and what it cannot reach."""
    lines = sum(len(found) for found in plan.lines.values())
    whose = plan.athlete_id or "those forgotten before"
    print(f"Of {whose}: {len(plan.whole)} archived file(s) go whole, and {lines} line(s) of")
    print(f"{len(plan.lines)} other(s) are emptied. Rows of config that go:")
    for name, rows in sorted(plan.config.items()):
        print(f"  {name}: {rows}")
    print("Then all tables are made and published anew.")
    for file_id in sorted(plan.workbooks):
        print(f"NOT TAKEN OUT: in the workbook archive/{file_id} not all rows could be found by name.")
    print("What this cannot reach:")
    for text in beyond:
        print(f"  - {text}")


def forget_data(plan: Plan, beyond: Sequence[str], done: bool) -> dict[str, Any]:
    """The same as data."""
    return {
        "athlete_id": plan.athlete_id,
        "done": done,
        "files_removed": sorted(plan.whole),
        "lines_emptied": {file_id: sorted(lines) for file_id, lines in sorted(plan.lines.items())},
        "config_rows": plan.config,
        "workbooks_not_reached": sorted(plan.workbooks),
        "beyond_reach": list(beyond),
    }

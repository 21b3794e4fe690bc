"""The command line: what each command takes, and which function does it."""

from __future__ import annotations

import argparse
import sys
from collections.abc import Sequence
from datetime import date
from importlib.metadata import version


def _day(text: str) -> date:
    """A date as people type it on the command line."""
    try:
        return date.fromisoformat(text)
    except ValueError:
        raise argparse.ArgumentTypeError(f"'{text}' is no date such as 2026-02-28") from None


def build_parser() -> argparse.ArgumentParser:
    """The parser of all commands."""
    parser = argparse.ArgumentParser(
        prog="yardmark", description="From test devices' exports to numbers that decisions can rest on."
    )
    parser.add_argument("--version", action="version", version=f"yardmark {version('yardmark')}")
    commands = parser.add_subparsers(dest="command", metavar="COMMAND", required=True)

    def add(name: str, says: str, *, facility: bool = True, json: bool = True) -> argparse.ArgumentParser:
        command = commands.add_parser(name, help=says, description=says[0].upper() + says[1:] + ".")
        if facility:
            command.add_argument(
                "facility",
                nargs="?",
                default=".",
                metavar="FACILITY",
                help="facility folder (default: this folder)",
            )
        if json:
            command.add_argument("--json", action="store_true", help="report as one JSON object")
        return command

    init = add("init", "make a facility folder with commented config", facility=False)
    init.add_argument("folder", metavar="FOLDER")
    demo = add("demo", "make the demo facility, take in its exports and publish", facility=False)
    demo.add_argument("folder", nargs="?", default="demo", metavar="FOLDER")
    add("check", "read all config and say every mistake at once")
    proposed = add(
        "propose", "read an unknown export and print a proposed layout, or a roster", facility=False
    )
    proposed.add_argument("file", metavar="FILE")
    proposed.add_argument(
        "--facility",
        metavar="FACILITY",
        help="facility whose devices, roster and tests are looked at (default: this folder, if it is one)",
    )
    intake = add("intake", "take in every settled file of the inbox")
    intake.add_argument("--dry-run", metavar="FILE", help="show how FILE would be stored, and store nothing")
    sheet = add(
        "sheet",
        "print a CSV with the roster and a family's columns, to fill by hand and drop",
        facility=False,
        json=False,
    )
    sheet.add_argument("family", metavar="FAMILY")
    sheet.add_argument("facility", nargs="?", default=".", metavar="FACILITY")
    add("held", "list what is held back, why, and what would release it")
    alias = add(
        "alias", "record that a written name is an athlete; the rows held for it are released", facility=False
    )
    alias.add_argument("facility", metavar="FACILITY")
    alias.add_argument("name", metavar="NAME", help="the name as the export writes it")
    alias.add_argument("athlete_id", metavar="ATHLETE_ID")
    alias.add_argument("--device", help="only on this device")
    alias.add_argument("--from", dest="start", type=_day, help="only from this day on (2026-02-28)")
    alias.add_argument("--until", type=_day, help="only until this day, it included")
    answers = add("answers", "take in a filled-in question sheet in one go", facility=False)
    answers.add_argument("facility", metavar="FACILITY")
    answers.add_argument("file", nargs="?", metavar="FILE", help="default: the sheets in held/")
    answers.add_argument("--list", action="store_true", help="list the answers that stand, and take in none")
    answers.add_argument(
        "--take-back",
        metavar="WHICH",
        help="undo the answers given at a moment, as --list shows it, or those about a written name",
    )
    add("retry", "try all that is held again")
    for name, says in (
        ("refresh", "compute everything from the warehouse and publish"),
        ("run", "take in, then refresh"),
        ("rebuild", "make the warehouse anew from the archive and config, and publish"),
    ):
        dated = add(name, says)
        dated.add_argument(
            "--as-of",
            type=_day,
            metavar="DATE",
            help="statistics as of this day (default: the last day in the warehouse)",
        )
        dated.add_argument(
            "--valid-on",
            type=_day,
            metavar="DATE",
            help="who is in which squad and available on this day (default: today)",
        )
        if name != "rebuild":
            dated.add_argument(
                "--edition",
                action="store_true",
                help="also write down the norms of the week that has closed, as `watch` does each week",
            )
    forget = add("forget", "take an athlete out of archive, config and all that is published", facility=False)
    forget.add_argument("words", nargs="*", metavar="[FACILITY] ATHLETE_ID")
    forget.add_argument(
        "--again", action="store_true", help="take out what came back of those forgotten before"
    )
    forget.add_argument("--dry-run", action="store_true", help="only say what would be done")
    forget.add_argument("--yes", action="store_true", help="do not ask")
    add("watch", "stay up: take in files as they settle, refresh soon after and nightly", json=False)
    add("status", "say what ran, what waits and what comes next")
    trace = add("trace", "show every number behind a result, down to file and line", facility=False)
    trace.add_argument("facility", metavar="FACILITY")
    trace.add_argument("athlete", metavar="ATHLETE", help="an athlete_id, a name or an alias")
    trace.add_argument("metric", metavar="METRIC", help="a metric of the catalogue, such as jump_height")
    changed = add("changed", "show what changed in the numbers since a day, and why")
    changed.add_argument(
        "--since",
        type=_day,
        required=True,
        metavar="DATE",
        help="from the beginning of this day (2026-02-28)",
    )
    sql = add("sql", "run a query on the published tables", facility=False)
    sql.add_argument("words", nargs="+", metavar="[FACILITY] QUERY")
    sql.add_argument("--csv", action="store_true", help="as CSV")
    add("tables", "the data dictionary of what is published")
    return parser


def main(argv: Sequence[str] | None = None) -> int:
    """Run one command; the exit status: 0 done, 1 could not finish, 2 wrong usage or wrong config."""
    for stream in (sys.stdout, sys.stderr):
        if hasattr(stream, "reconfigure"):
            stream.reconfigure(encoding="utf-8", errors="replace")
    parser = build_parser()
    arguments, rest = parser.parse_known_args(argv)
    if rest:
        parser.error(f"unknown: {' '.join(rest)}; `yardmark {arguments.command} --help` shows what there is")
    # Imported here so that --help and wrong usage answer at once.
    from pipeline.commands import run_command

    return run_command(arguments)


if __name__ == "__main__":
    sys.exit(main())

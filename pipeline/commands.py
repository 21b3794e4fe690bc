"""What each command does: one function a command, and errors in plain words."""

from __future__ import annotations

import argparse
import csv
import errno
import json
import math
import os
import sys
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from datetime import datetime
from decimal import Decimal
from pathlib import Path
from typing import TYPE_CHECKING, Any
from zoneinfo import ZoneInfo

import duckdb

from pipeline import show
from pipeline.clock import today
from pipeline.facility.folder import Facility, check_facility, load_facility
from pipeline.facility.init import NAME_AS_MADE
from pipeline.facility.problems import ConfigError, Problem, mistakes, nearest_known
from pipeline.facility.records import CORRECTIONS_FILE
from pipeline.facility.settings import SETTINGS_FILE
from pipeline.lock import Busy, facility_lock
from schemas.families import FAMILIES

# What only some commands need is imported in them: all of it together takes longer to import than most of
# them take to do what they are asked.
if TYPE_CHECKING:
    from pipeline.forget import Plan
    from pipeline.run import Run, Step
    from pipeline.warehouse.store import Warehouse

Arguments = argparse.Namespace
DONE, UNFINISHED, WRONG = 0, 1, 2


class WrongUse(Exception):
    """The command was called with something that does not exist; exit status 2."""


class CannotFinish(Exception):
    """The command was right and could not be done; exit status 1."""


def run_command(arguments: Arguments) -> int:
    """Do a parsed command; errors go to stderr in plain words."""
    try:
        status = _COMMANDS[arguments.command](arguments)
        sys.stdout.flush()
        return status
    except ConfigError as error:
        show.problems(error.problems)
        return WRONG
    except WrongUse as error:
        _complain(error)
        return WRONG
    except _stopped_by() as error:
        _complain(error)
        return UNFINISHED
    except duckdb.Error as error:
        _complain(f"the database says: {error}{_what_to_do(str(error))}")
        return UNFINISHED
    except BrokenPipeError:
        # Whoever reads the output has seen enough (`| head`); what is left in the buffer goes nowhere.
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        return DONE
    except OSError as error:
        said = error.strerror or str(error)
        _complain(f"{error.filename or 'a file'}: {said}{_what_to_do(said)}")
        return UNFINISHED
    except KeyboardInterrupt:
        _complain("stopped; what was not finished is done by the next run")
        return UNFINISHED


def _stopped_by() -> tuple[type[Exception], ...]:
    """What may stop a command that was right; only asked where something did."""
    from pipeline.intake.archive import ArchiveDamaged
    from pipeline.intake.law import LawOfRows
    from pipeline.steps import NothingThatOld
    from pipeline.warehouse.store import WarehouseDamaged

    return CannotFinish, Busy, ArchiveDamaged, LawOfRows, NothingThatOld, WarehouseDamaged


def _what_to_do(said: str) -> str:
    """The remedy where the system says that it can't write; nothing else is known to help."""
    if any(os.strerror(code) in said for code in (errno.ENOSPC, errno.EDQUOT, errno.EFBIG)):
        return "; make room on the disk, then run again: what was not finished is done then"
    if any(os.strerror(code) in said for code in (errno.EACCES, errno.EPERM, errno.EROFS)):
        return "; let yardmark write there, then run again: what was not finished is done then"
    return ""


def _complain(text: object) -> None:
    lines = [show.harmless(line) for line in str(text).splitlines()]
    print("yardmark: " + "\n".join(lines), file=sys.stderr)


def _say(arguments: Arguments) -> Callable[[str], None]:
    """Progress goes to stderr, so that stdout has the report alone."""
    start = time.monotonic()

    def say(text: str) -> None:
        print(f"  {time.monotonic() - start:5.1f} s  {show.harmless(text)}", file=sys.stderr, flush=True)

    return say


@contextmanager
def _opened(arguments: Arguments) -> Iterator[tuple[Facility, Warehouse]]:
    """The facility of a command, locked, and its warehouse open."""
    from pipeline.intake.intake import is_behind, update
    from pipeline.warehouse.store import open_warehouse

    facility = load_facility(Path(arguments.facility))
    with facility_lock(facility.state, f"yardmark {arguments.command}", _say(arguments)):
        # Somebody may have edited the config, or answered, while this waited.
        facility = load_facility(Path(arguments.facility))
        with open_warehouse(facility.warehouse_file) as warehouse:
            if is_behind(facility, warehouse):
                _say(arguments)("the warehouse is empty: reading the archive first")
                update(facility, warehouse, _say(arguments))
            yield facility, warehouse


def _report(arguments: Arguments, data: dict[str, Any], text: Callable[[], None]) -> None:
    if arguments.json:
        text_of_all = json.dumps(data, default=str, ensure_ascii=False, indent=1)
        # A file's name may be no text.
        print(text_of_all.encode("utf-8", "replace").decode())
    else:
        text()


def _init(arguments: Arguments) -> int:
    from pipeline.facility.init import init_facility

    folder = Path(arguments.folder)
    init_facility(folder)
    _report(arguments, {"folder": str(folder)}, lambda: show.initialised(folder))
    return DONE


def _demo(arguments: Arguments) -> int:
    from pipeline.demo import DEMO_DAY, NotTheDemo, make_demo
    from pipeline.steps import plain_steps

    folder = Path(arguments.folder)
    try:
        make_demo(folder)
    except NotTheDemo as error:
        raise WrongUse(str(error)) from None
    arguments.facility, arguments.as_of, arguments.valid_on = str(folder), None, DEMO_DAY
    arguments.edition = False
    return _steps(arguments, plain_steps(), lambda run: show.demo(folder, run))


def _check(arguments: Arguments) -> int:
    found = check_facility(Path(arguments.facility))
    if not mistakes(found):
        facility = load_facility(Path(arguments.facility))
        found += [*_as_made(facility), *_unmet_now(facility)]
    data = {"problems": [vars(problem) for problem in found], "mistakes": len(mistakes(found))}
    _report(arguments, data, lambda: show.checked(found))
    return WRONG if mistakes(found) else DONE


def _as_made(facility: Facility) -> list[Problem]:
    """A look at the time zone, as long as nobody has set up the facility: a wrong one moves tests to other
    days and says nothing."""
    if facility.settings.name != NAME_AS_MADE:
        return []
    said = f"name and time zone are as `yardmark init` wrote them ({facility.settings.timezone})"
    advice = "set both: the time zone decides on which date a test counts"
    return [Problem(SETTINGS_FILE, None, "name", f"{said}; {advice}", "look")]


def _unmet_now(facility: Facility) -> list[Problem]:
    """Corrections that change nothing and files that changed layouts lose, where the warehouse is there and
    nobody else is at work in it."""
    from pipeline.warehouse.store import open_warehouse

    if not facility.warehouse_file.exists():
        return []
    try:
        with (
            facility_lock(facility.state, "yardmark check", lambda _: None, wait_seconds=0),
            open_warehouse(facility.warehouse_file) as warehouse,
        ):
            return [*_unmet(facility, warehouse), *_lost(facility, warehouse)]
    except Busy as busy:
        return [Problem(CORRECTIONS_FILE, None, None, f"not compared with what is loaded: {busy}", "look")]


def _lost(facility: Facility, warehouse: Warehouse) -> list[Problem]:
    """A look at each layout that no longer reads what it has read: the next run takes those rows out."""
    from pipeline.intake.intake import would_not_read
    from pipeline.intake.layouts import LAYOUTS_FOLDER

    by_layout: dict[str, list[str]] = {}
    for path, layout in would_not_read(facility, warehouse):
        by_layout.setdefault(layout, []).append(path)
    return [
        Problem(
            f"{LAYOUTS_FOLDER}/{layout}.toml",
            None,
            "match",
            f"as it is now it does not read {len(paths)} file(s) that it has read (such as {paths[0]}); "
            f"the next run "
            "takes their rows out. Undo the change, or keep the old layout beside this one under another "
            "name",
            "look",
        )
        for layout, paths in sorted(by_layout.items())
    ]


def _unmet(facility: Facility, warehouse: Warehouse) -> list[Problem]:
    """Corrections, and answers that correct, that meet no row."""
    from pipeline.intake.intake import knowledge_of
    from pipeline.intake.met import tables_to_meet, unmet_corrections

    knowledge = knowledge_of(facility)
    if knowledge.corrections.is_empty() or warehouse.count("_drops") == 0:
        return []
    tables = tables_to_meet(warehouse, knowledge.corrections)
    return unmet_corrections(tables, knowledge.corrections, knowledge.withdrawn)


def _intake(arguments: Arguments) -> int:
    from pipeline.intake.intake import IntakeReport
    from pipeline.run import run_steps
    from pipeline.steps import take_in_steps

    if arguments.dry_run:
        return _dry_run(arguments)
    arguments.valid_on = arguments.as_of = None
    run = _new_run(arguments)
    run_steps(run, take_in_steps())
    report = run.intake or IntakeReport()
    _report(arguments, show.intake_data(report), lambda: show.intake(report, run.facility))
    return DONE


def _dry_run(arguments: Arguments) -> int:
    from pipeline.intake.dry_run import dry_run

    facility = load_facility(Path(arguments.facility))
    try:
        result = dry_run(facility, Path(arguments.dry_run))
    except FileNotFoundError:
        raise WrongUse(f"there is no file {arguments.dry_run}") from None
    _report(arguments, result.as_dict(), lambda: show.dry_run(result))
    return DONE


def _propose(arguments: Arguments) -> int:
    from pipeline.intake.propose.choices import CannotPropose
    from pipeline.intake.propose.propose import propose

    folder = Path(arguments.facility or ".")
    facility = load_facility(folder) if arguments.facility or (folder / SETTINGS_FILE).is_file() else None
    try:
        proposal = propose(Path(arguments.file), facility, _layout_written_to(folder))
    except FileNotFoundError:
        raise WrongUse(f"there is no file {arguments.file}") from None
    except CannotPropose as error:
        raise CannotFinish(error) from None
    _report(arguments, proposal.as_dict(), lambda: show.proposal(proposal))
    return DONE


def _layout_written_to(folder: Path) -> str | None:
    """The name of the layout file that stdout goes to (`> config/layouts/x.toml`); a layout says its name."""
    from pipeline.intake.layouts import LAYOUTS_FOLDER

    try:
        out = os.fstat(sys.stdout.fileno())
    except (OSError, ValueError):
        return None
    files = (folder / LAYOUTS_FOLDER).glob("*.toml")
    return next((file.stem for file in files if os.path.samestat(file.stat(), out)), None)


def _sheet(arguments: Arguments) -> int:
    from pipeline.intake.hand_sheet import hand_sheet

    if arguments.family not in FAMILIES:
        raise WrongUse(
            f"'{arguments.family}' is no device family; {nearest_known(arguments.family, FAMILIES)}"
        )
    if FAMILIES[arguments.family].trace is not None:
        raise WrongUse(
            f"a {FAMILIES[arguments.family].label} is a trace of many samples and can't be written by hand; "
            "drop the device's export into the inbox"
        )
    facility = load_facility(Path(arguments.facility))
    try:
        print(hand_sheet(facility, arguments.family, today(facility.settings.timezone)), end="")
    except KeyError as error:
        raise WrongUse(error.args[0]) from None
    return DONE


def _held(arguments: Arguments) -> int:
    from pipeline.intake.intake import knowledge_of
    from pipeline.intake.questions import told_in_full
    from pipeline.intake.waiting import held_with_context

    with _opened(arguments) as (facility, warehouse):
        held = held_with_context(warehouse).sort("drop_no", "line", "code")
        knowledge = knowledge_of(facility)
        suspects, names = warehouse.read("_suspects"), knowledge.names
        unmet = _unmet(facility, warehouse)
    told = held.drop("drop_no", "question", "value", "file_id", "layout")
    told = told.rename({"file": "file_id", "seen": "value"})
    asked = held.unique("question", keep="first", maintain_order=True)
    data = {"held": told.to_dicts(), "suspects": suspects.to_dicts()}
    data["unmet_corrections"] = [vars(one) for one in unmet]
    lines = told_in_full(asked, facility, knowledge)
    _report(arguments, data, lambda: show.held(lines, suspects, names, facility.held))
    show.problems(unmet)
    return DONE


def _alias(arguments: Arguments) -> int:
    from pipeline.intake.identity import DROPPED
    from pipeline.intake.intake import knowledge_of, say_who

    facility = load_facility(Path(arguments.facility))
    ids = facility.athletes["athlete_id"].to_list()
    if arguments.athlete_id not in ids:
        raise WrongUse(
            f"'{arguments.athlete_id}' is no athlete_id on the roster; "
            f"{nearest_known(arguments.athlete_id, ids)}"
        )
    if arguments.device is not None and arguments.device not in facility.settings.devices:
        raise WrongUse(
            f"'{arguments.device}' is no device; {nearest_known(arguments.device, facility.settings.devices)}"
        )
    if not arguments.name.strip():
        raise WrongUse("the written name is empty")
    _refuse_taken_name(facility, arguments.name, arguments.athlete_id)
    if arguments.start and arguments.until and arguments.until < arguments.start:
        raise WrongUse(f"--until ({arguments.until}) is before --from ({arguments.start})")
    with _opened(arguments) as (facility, warehouse):
        names = knowledge_of(facility).names
        day = arguments.start or arguments.until or today(facility.settings.timezone)
        before = names.who(arguments.name, arguments.device or "", day).athlete_id
        report = say_who(
            facility,
            warehouse,
            _say(arguments),
            arguments.name,
            arguments.athlete_id,
            arguments.device,
            arguments.start,
            arguments.until,
        )
    was = before if before not in (None, arguments.athlete_id) else None
    shown = None if was is None else "left out (`drop`)" if was == DROPPED else names.shown(was)
    data = show.intake_data(report) | {"was": was}
    _report(arguments, data, lambda: show.renamed(arguments.name, shown, report))
    return DONE


def _refuse_taken_name(facility: Facility, name: str, athlete_id: str) -> None:
    """An alias must not stand against a name that one person of the roster has."""
    from pipeline.intake.identity import normalise

    roster = facility.athletes.select("athlete_id", "name").drop_nulls().iter_rows()
    owners = [owner for owner, own_name in roster if normalise(own_name) == normalise(name)]
    if len(owners) == 1 and owners[0] != athlete_id:
        raise WrongUse(
            f"'{name}' is the name of {owners[0]} on the roster, and stays theirs; "
            "to give single trials to another athlete, use `move` in config/corrections.csv"
        )


def _answers(arguments: Arguments) -> int:
    from pipeline.intake.answers import read_answers
    from pipeline.intake.intake import answer
    from pipeline.intake.sheets import sheets_in

    if arguments.list:
        standing = read_answers(load_facility(Path(arguments.facility)).config)
        data = {"answers": [vars(one) for one in standing]}
        _report(arguments, data, lambda: show.answers(standing))
        return DONE
    if arguments.take_back is not None:
        return _take_back(arguments)
    with _opened(arguments) as (facility, warehouse):
        paths = [Path(arguments.file)] if arguments.file else sheets_in(facility.held)
        if not all(path.is_file() for path in paths):
            raise WrongUse(f"there is no file {arguments.file}")
        try:
            report = answer(facility, warehouse, _say(arguments), paths)
        except ValueError as error:
            raise WrongUse(str(error)) from None
    _report(arguments, show.intake_data(report), lambda: show.released(report))
    return DONE


def _take_back(arguments: Arguments) -> int:
    from pipeline.intake.intake import update
    from pipeline.intake.take_back import answers_meant, take_back

    with _opened(arguments) as (facility, warehouse):
        undone = answers_meant(facility, arguments.take_back) if arguments.take_back.strip() else []
        if not undone:
            raise WrongUse(
                f"no answer was given at or about '{arguments.take_back}'; `yardmark answers "
                f"{arguments.facility} --list` lists them (names in config/aliases.csv are taken out there)"
            )
        take_back(facility, undone)
        report = update(load_facility(facility.folder), warehouse, _say(arguments))
    data = show.intake_data(report) | {"taken_back": [vars(one) for one in undone]}
    _report(arguments, data, lambda: show.taken_back(undone, report))
    return DONE


def _retry(arguments: Arguments) -> int:
    from pipeline.intake.intake import retry

    with _opened(arguments) as (facility, warehouse):
        report = retry(facility, warehouse, _say(arguments))
    _report(arguments, show.intake_data(report), lambda: show.released(report))
    return DONE


def _new_run(arguments: Arguments) -> Run:
    from pipeline.run import Run

    facility = load_facility(Path(arguments.facility))
    valid_on = arguments.valid_on or today(facility.settings.timezone)
    return Run(facility, _say(arguments), valid_on, arguments.as_of, arguments.command)


def _steps(arguments: Arguments, steps: tuple[Step, ...], text: Callable[[Run], None]) -> int:
    from pipeline.run import run_steps
    from pipeline.steps import weekly_steps

    run = _new_run(arguments)
    run_steps(run, (*steps, *weekly_steps()) if arguments.edition else steps)
    unmet = _unmet_now(run.facility)
    data = show.run_data(run) | {"unmet_corrections": [vars(one) for one in unmet]}
    _report(arguments, data, lambda: text(run))
    show.problems(unmet)
    return DONE


def _refresh(arguments: Arguments) -> int:
    from pipeline.steps import refresh_steps

    return _steps(arguments, refresh_steps(), show.refreshed)


def _run(arguments: Arguments) -> int:
    from pipeline.steps import plain_steps

    return _steps(arguments, plain_steps(), show.ran)


def _rebuild(arguments: Arguments) -> int:
    from pipeline.steps import refresh_steps

    run = _rebuilt(arguments, refresh_steps())
    _report(arguments, show.run_data(run), lambda: show.ran(run))
    return DONE


def _rebuilt(arguments: Arguments, steps: tuple[Step, ...]) -> Run:
    """A run that makes the warehouse anew, and what these steps make of it."""
    from pipeline.intake.intake import update
    from pipeline.run import logged, run_steps

    run = _new_run(arguments)
    with run.opened(anew=True), logged(run, "rebuild") as entry:
        run.intake = update(run.facility, run.warehouse, run.say)
        entry.rows = run.intake.new_drops
    run_steps(run, steps)
    return run


def _whom_to_forget(arguments: Arguments) -> str | None:
    """The athlete_id, None with --again; sets `arguments.facility`. The two may be given in either order."""
    words: list[str] = arguments.words
    if len(words) > 2 or (arguments.again and len(words) > 1) or not (words or arguments.again):
        raise WrongUse("give [FACILITY] ATHLETE_ID, or [FACILITY] --again")
    if arguments.again:
        arguments.facility = words[0] if words else "."
        return None
    arguments.facility, athlete_id = words if len(words) == 2 else (".", words[0])
    if not (Path(arguments.facility) / "config").is_dir() and (Path(athlete_id) / "config").is_dir():
        arguments.facility, athlete_id = athlete_id, arguments.facility
    ids = load_facility(Path(arguments.facility)).athletes["athlete_id"].to_list()
    if athlete_id not in ids:
        raise WrongUse(f"'{athlete_id}' is no athlete_id on the roster; {nearest_known(athlete_id, ids)}")
    return athlete_id


def _forget(arguments: Arguments) -> int:
    from pipeline.forget import BEYOND_REACH, forget, plan_again, plan_to_forget
    from pipeline.intake.archive import utc_now
    from pipeline.steps import plain_steps

    athlete_id = _whom_to_forget(arguments)

    def planned(facility: Facility, warehouse: Warehouse) -> Plan:
        if athlete_id is None:
            return plan_again(facility, warehouse)
        return plan_to_forget(facility, warehouse, athlete_id)

    asked = athlete_id or "again"
    with _opened(arguments) as (facility, warehouse):
        plan = planned(facility, warehouse)
    if not arguments.json or not (arguments.dry_run or arguments.yes):
        show.to_forget(plan, BEYOND_REACH)
    if not arguments.dry_run:
        if not arguments.yes and input(f"Type {asked} to do this: ") != asked:
            raise CannotFinish("nothing was changed")
        with _opened(arguments) as (facility, warehouse):
            plan = planned(facility, warehouse)
            forget(facility, warehouse, plan, utc_now())
        arguments.as_of = arguments.valid_on = None
        # Today's sheet too: it has names.
        _rebuilt(arguments, tuple(step for step in plain_steps() if step.name != "take_in"))
        if not arguments.json:
            print(f"{athlete_id or 'What came back'} is forgotten, and everything is published anew.")
    if arguments.json:
        _report(arguments, show.forget_data(plan, BEYOND_REACH, not arguments.dry_run), lambda: None)
    # Lines that could not be taken out are work for a person.
    return UNFINISHED if plan.workbooks and not arguments.dry_run else DONE


def _watch(arguments: Arguments) -> int:
    # Prefect is imported where it is used: it costs a second.
    from pipeline.flows.watch import watch

    zone = ZoneInfo(load_facility(Path(arguments.facility)).settings.timezone)
    watch(
        Path(arguments.facility),
        lambda text: print(f"{datetime.now(zone):%H:%M:%S}  {show.harmless(text)}", flush=True),
    )
    return DONE


def _status(arguments: Arguments) -> int:
    from pipeline.status import status_of

    facility = load_facility(Path(arguments.facility))
    found = status_of(facility)
    _report(arguments, show.status_data(found), lambda: show.status(found, facility))
    return DONE


def _trace(arguments: Arguments) -> int:
    from pipeline.facility.catalogue import facility_catalogue
    from pipeline.intake.intake import knowledge_of
    from pipeline.trace.athlete import find_athlete
    from pipeline.trace.show import show_trace
    from pipeline.trace.trace import trace

    with _opened(arguments) as (facility, warehouse):
        catalogue, names = facility_catalogue(facility.metrics), knowledge_of(facility).names
        who = find_athlete(names, arguments.athlete)
        if who.athlete_id is None:
            raise WrongUse(who.why)
        if arguments.metric not in catalogue:
            raise WrongUse(f"'{arguments.metric}' is no metric; {nearest_known(arguments.metric, catalogue)}")
        found = trace(facility, warehouse, who.athlete_id, catalogue[arguments.metric])
    name = names.shown(found.athlete_id)
    _report(arguments, vars(found), lambda: show_trace(found, name, catalogue[arguments.metric]))
    return DONE


def _changed(arguments: Arguments) -> int:
    from pipeline.trace.changed import changed
    from pipeline.trace.show import show_changed

    with _opened(arguments) as (facility, warehouse):
        found = changed(facility, warehouse, arguments.since)
    data = {"since": found.since, "rows": found.rows.to_dicts(), "results": found.results.to_dicts()}
    _report(arguments, data, lambda: show_changed(found))
    return DONE


def _sql(arguments: Arguments) -> int:
    from pipeline.publish.database import current_file
    from schemas.ddl import literal

    if len(arguments.words) > 2:
        raise WrongUse('put the query in quotes: yardmark sql FACILITY "SELECT ..."')
    folder, query = ([".", *arguments.words])[-2:]
    if len(arguments.words) == 1 and (Path(query) / "config").is_dir():
        raise WrongUse('give the query too: yardmark sql FACILITY "SELECT ..."')
    published = Path(folder) / "published"
    file = current_file(published)
    if not file.is_file():
        raise CannotFinish(f"nothing is published in {published} yet; run `yardmark run {folder}` first")
    with duckdb.connect(str(file), read_only=True) as connection:
        # A query reads what is published, the sample sets too, and nothing else of this computer.
        sets = literal(str((published / "tables").resolve()))
        connection.execute(f"SET allowed_directories = [{sets}]")
        connection.execute("SET enable_external_access = false")
        statements = connection.extract_statements(query)
        if len(statements) > 1:
            raise CannotFinish(
                f"there are {len(statements)} statements, and only one can be shown; run them one by one"
            )
        relation = connection.sql(query)
        names = relation.columns if relation is not None else []
        rows = relation.fetchall() if relation is not None else []
    if arguments.csv:
        csv.writer(sys.stdout, lineterminator="\n").writerows([names, *rows])
    else:
        data = {
            "rows": [{name: _json_value(cell) for name, cell in zip(names, row, strict=True)} for row in rows]
        }
        _report(arguments, data, lambda: show.table(names, rows))
    return DONE


def _json_value(cell: Any) -> Any:
    """A cell as JSON can say it: it has no NaN and no infinity, and one kind of number with a point."""
    if isinstance(cell, Decimal):
        return float(cell)
    return None if isinstance(cell, float) and not math.isfinite(cell) else cell


def _tables(arguments: Arguments) -> int:
    from pipeline.publish.dictionary import dictionary, dictionary_text
    from schemas.catalogue import CATALOGUE

    words = dictionary(CATALOGUE)
    _report(arguments, {"columns": words.to_dicts()}, lambda: print(dictionary_text(words)))
    return DONE


_COMMANDS: dict[str, Callable[[Arguments], int]] = {
    "init": _init,
    "demo": _demo,
    "check": _check,
    "intake": _intake,
    "propose": _propose,
    "sheet": _sheet,
    "held": _held,
    "alias": _alias,
    "answers": _answers,
    "retry": _retry,
    "refresh": _refresh,
    "run": _run,
    "rebuild": _rebuild,
    "forget": _forget,
    "watch": _watch,
    "status": _status,
    "trace": _trace,
    "changed": _changed,
    "sql": _sql,
    "tables": _tables,
}

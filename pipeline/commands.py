"""What each command does: one function a command, and errors in plain words."""

from __future__ import annotations

import argparse
import csv
import json
import math
import os
import sys
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import duckdb

from pipeline import show
from pipeline.demo import DEMO_DAY, NotTheDemo, make_demo
from pipeline.facility.folder import Facility, check_facility, load_facility
from pipeline.facility.init import init_facility
from pipeline.facility.problems import ConfigError, mistakes, nearest_known
from pipeline.intake.dry_run import dry_run
from pipeline.intake.hand_sheet import hand_sheet
from pipeline.intake.identity import normalise
from pipeline.intake.intake import answer, retry, say_who, take_in, update
from pipeline.intake.law import LawOfRows
from pipeline.intake.sheets import sheets_in
from pipeline.intake.waiting import held_with_context
from pipeline.lock import Busy, facility_lock
from pipeline.publish.database import current_file
from pipeline.publish.dictionary import dictionary, dictionary_text
from pipeline.steps import STEPS, NothingThatOld, Run, Step, refresh_steps, run_steps, today
from pipeline.warehouse.store import Warehouse, WarehouseDamaged, open_warehouse, remove_warehouse
from schemas.catalogue import CATALOGUE
from schemas.ddl import literal
from schemas.families import FAMILIES

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
    except (CannotFinish, Busy, LawOfRows, NothingThatOld, WarehouseDamaged) as error:
        _complain(error)
        return UNFINISHED
    except duckdb.Error as error:
        _complain(f"the database says: {error}")
        return UNFINISHED
    except BrokenPipeError:
        # Whoever reads the output has seen enough (`| head`); what is left in the buffer goes nowhere.
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        return DONE
    except OSError as error:
        _complain(f"{error.filename or 'a file'}: {error.strerror or error}")
        return UNFINISHED
    except KeyboardInterrupt:
        _complain("stopped; what was not finished is done by the next run")
        return UNFINISHED


def _complain(text: object) -> None:
    print(f"yardmark: {text}", file=sys.stderr)


def _say(arguments: Arguments) -> Callable[[str], None]:
    """Progress goes to stderr, so that stdout has the report alone."""
    start = time.monotonic()

    def say(text: str) -> None:
        print(f"  {time.monotonic() - start:5.1f} s  {text}", file=sys.stderr, flush=True)

    return say


@contextmanager
def _opened(arguments: Arguments) -> Iterator[tuple[Facility, Warehouse]]:
    """The facility of a command, locked, and its warehouse open."""
    facility = load_facility(Path(arguments.facility))
    with facility_lock(facility.state, f"yardmark {arguments.command}", _say(arguments)):
        # Somebody may have edited the config, or answered, while this waited.
        facility = load_facility(Path(arguments.facility))
        with open_warehouse(facility.warehouse_file) as warehouse:
            yield facility, warehouse


def _report(arguments: Arguments, data: dict[str, Any], text: Callable[[], None]) -> None:
    if arguments.json:
        print(json.dumps(data, default=str, ensure_ascii=False, indent=1))
    else:
        text()


def _init(arguments: Arguments) -> int:
    folder = Path(arguments.folder)
    init_facility(folder)
    _report(arguments, {"folder": str(folder)}, lambda: show.initialised(folder))
    return DONE


def _demo(arguments: Arguments) -> int:
    folder = Path(arguments.folder)
    try:
        make_demo(folder)
    except NotTheDemo as error:
        raise WrongUse(str(error)) from None
    arguments.facility, arguments.as_of, arguments.valid_on = str(folder), None, DEMO_DAY
    return _steps(arguments, STEPS, lambda run: show.demo(folder, run))


def _check(arguments: Arguments) -> int:
    found = check_facility(Path(arguments.facility))
    data = {"problems": [vars(problem) for problem in found], "mistakes": len(mistakes(found))}
    _report(arguments, data, lambda: show.checked(found))
    return WRONG if mistakes(found) else DONE


def _intake(arguments: Arguments) -> int:
    if arguments.dry_run:
        facility = load_facility(Path(arguments.facility))
        try:
            result = dry_run(facility, Path(arguments.dry_run))
        except FileNotFoundError:
            raise WrongUse(f"there is no file {arguments.dry_run}") from None
        _report(arguments, result.as_dict(), lambda: show.dry_run(result))
        return DONE
    with _opened(arguments) as (facility, warehouse):
        report = take_in(facility, warehouse, _say(arguments))
        _report(arguments, show.intake_data(report), lambda: show.intake(report, facility))
    return DONE


def _sheet(arguments: Arguments) -> int:
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
    with _opened(arguments) as (facility, warehouse):
        held = held_with_context(warehouse).sort("drop_no", "line", "code")
    told = held.drop("drop_no", "question", "value", "file_id", "layout")
    told = told.rename({"file": "file_id", "seen": "value"})
    asked = held.unique("question", keep="first", maintain_order=True)
    _report(arguments, {"held": told.to_dicts()}, lambda: show.held(asked, facility.held))
    return DONE


def _alias(arguments: Arguments) -> int:
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
    _report(arguments, show.intake_data(report), lambda: show.released(report))
    return DONE


def _refuse_taken_name(facility: Facility, name: str, athlete_id: str) -> None:
    """An alias must not stand against a name that one person of the roster has."""
    roster = facility.athletes.select("athlete_id", "name").drop_nulls().iter_rows()
    owners = [owner for owner, own_name in roster if normalise(own_name) == normalise(name)]
    if len(owners) == 1 and owners[0] != athlete_id:
        raise WrongUse(
            f"'{name}' is the name of {owners[0]} on the roster, and stays theirs; "
            "to give single trials to another athlete, use `move` in config/corrections.csv"
        )


def _answers(arguments: Arguments) -> int:
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


def _retry(arguments: Arguments) -> int:
    with _opened(arguments) as (facility, warehouse):
        report = retry(facility, warehouse, _say(arguments))
    _report(arguments, show.intake_data(report), lambda: show.released(report))
    return DONE


def _steps(arguments: Arguments, steps: tuple[Step, ...], text: Callable[[Run], None]) -> int:
    with _opened(arguments) as (facility, warehouse):
        valid_on = arguments.valid_on or today(facility.settings.timezone)
        run = Run(facility, warehouse, _say(arguments), valid_on, arguments.as_of)
        run_steps(run, steps)
        _report(arguments, show.run_data(run), lambda: text(run))
    return DONE


def _refresh(arguments: Arguments) -> int:
    return _steps(arguments, refresh_steps(), show.refreshed)


def _run(arguments: Arguments) -> int:
    return _steps(arguments, STEPS, show.ran)


def _rebuild(arguments: Arguments) -> int:
    facility = load_facility(Path(arguments.facility))
    with facility_lock(facility.state, "yardmark rebuild", _say(arguments)):
        remove_warehouse(facility.warehouse_file)
        with open_warehouse(facility.warehouse_file) as warehouse:
            valid_on = arguments.valid_on or today(facility.settings.timezone)
            run = Run(facility, warehouse, _say(arguments), valid_on, arguments.as_of)
            run.intake = update(facility, warehouse, run.say)
            run_steps(run, refresh_steps())
            _report(arguments, show.run_data(run), lambda: show.ran(run))
    return DONE


def _sql(arguments: Arguments) -> int:
    if len(arguments.words) > 2:
        raise WrongUse('put the query in quotes: yardmark sql FACILITY "SELECT ..."')
    folder, query = ([".", *arguments.words])[-2:]
    published = Path(folder) / "published"
    file = current_file(published)
    if not file.is_file():
        raise CannotFinish(f"{published} has no published tables yet; run `yardmark run {folder}` first")
    with duckdb.connect(str(file), read_only=True) as connection:
        # A query reads what is published, the sample sets too, and nothing else of this computer.
        sets = literal(str((published / "tables").resolve()))
        connection.execute(f"SET allowed_directories = [{sets}]")
        connection.execute("SET enable_external_access = false")
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
    """A cell as JSON can say it: it has no NaN and no infinity."""
    return None if isinstance(cell, float) and not math.isfinite(cell) else cell


def _tables(arguments: Arguments) -> int:
    words = dictionary(CATALOGUE)
    _report(arguments, {"columns": words.to_dicts()}, lambda: print(dictionary_text(words)))
    return DONE


_COMMANDS: dict[str, Callable[[Arguments], int]] = {
    "init": _init,
    "demo": _demo,
    "check": _check,
    "intake": _intake,
    "sheet": _sheet,
    "held": _held,
    "alias": _alias,
    "answers": _answers,
    "retry": _retry,
    "refresh": _refresh,
    "run": _run,
    "rebuild": _rebuild,
    "sql": _sql,
    "tables": _tables,
}

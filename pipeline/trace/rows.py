"""The rows behind values, with their versions, the text of their lines, and what people said of them."""

from __future__ import annotations

from collections import defaultdict
from dataclasses import dataclass
from typing import Any

import polars as pl

from pipeline.facility.folder import Facility
from pipeline.intake.answers import line_answers_of, read_answers
from pipeline.intake.intake import knowledge_of
from pipeline.intake.met import rows_met
from pipeline.intake.originals import original_lines
from pipeline.trace.versions import Version, versions_of
from schemas.tables import FAMILY_OF_TABLE, TRIAL_TABLES


@dataclass
class Rows:
    """Rows with all their versions, by row_id. `tables`: row_id -> its table. `gone`: session_id -> rows that
    counted there once as the athlete's. `paths`: file (16 digits) -> all digits, path, layout. `answers`:
    (file, line) -> what people answered about it."""

    versions: dict[str, list[Version]]
    tables: dict[str, str]
    gone: dict[str, list[str]]
    paths: dict[str, tuple[str, str, str | None]]
    answers: dict[tuple[str, int], list[dict[str, str]]]


def rows_behind(
    facility: Facility,
    tables: dict[str, pl.DataFrame],
    inputs: pl.DataFrame,
    athlete_id: str,
    of_family: str,
) -> Rows:
    """The rows that feed values, and those of the metric's family that were once the athlete's.

    `tables`: the trial tables, the sample sets, superseded_rows, `_drops`. `inputs`: row_id and role.
    """
    knowledge = knowledge_of(facility)
    words: dict[str, list[str]] = defaultdict(list)
    met = rows_met(tables, knowledge.corrections, knowledge.withdrawn)
    for row_ids, correction in zip(met, knowledge.corrections.iter_rows(named=True), strict=True):
        for row_id in row_ids:
            words[row_id].append(correction_in_words(correction))
    drops = tables["_drops"].sort(pl.col("state") == "repeated", "drop_no", descending=[True, True])
    paths = {
        str(file_id)[:16]: (str(file_id), str(path), layout)
        for file_id, path, layout in drops.select("file_id", "path", "layout").iter_rows()
    }
    found = Rows({}, {}, defaultdict(list), paths, _answers(facility))
    wanted = set(inputs["row_id"])
    for name in TRIAL_TABLES:
        family = FAMILY_OF_TABLE[name]
        once = _once_his(tables, name, athlete_id) if family.name == of_family else set()
        for row_id, versions in versions_of(family, tables, wanted | once, words).items():
            found.versions[row_id], found.tables[row_id] = versions, name
            if row_id in once - wanted:
                last = [version for version in versions if version.athlete_id == athlete_id][-1]
                found.gone[last.session_id].append(row_id)
    _read_originals(facility, found)
    return found


def _once_his(tables: dict[str, pl.DataFrame], name: str, athlete_id: str) -> set[str]:
    """Rows of a table that an earlier version gave to the athlete, and that are his no more."""
    old = tables["superseded_rows"].filter(pl.col("source_table") == name)
    was_his = old.filter(pl.col("row").str.json_path_match("$.athlete_id") == athlete_id)
    now = tables[name].filter(pl.col("athlete_id") == athlete_id)
    return set(was_his.join(now, on="row_id", how="anti")["row_id"])


def correction_in_words(correction: dict[str, Any]) -> str:
    """Who corrected a row, when and why."""
    who = f" by {correction['made_by']}" if correction["made_by"] else ""
    when = f" on {correction['made_on']}" if correction["made_on"] else ""
    why = f": {correction['why']}" if correction["why"] else ""
    return f"{correction['action']}{who}{when}{why} ({place_of_correction(correction)})"


def place_of_correction(correction: dict[str, Any]) -> str:
    """Where a correction stands."""
    line = correction["line"]
    return "config/answers.csv" if line is None else f"config/corrections.csv, line {line}"


def _answers(facility: Facility) -> dict[tuple[str, int], list[dict[str, str]]]:
    """(file, line) -> what people answered about it."""
    found: dict[tuple[str, int], list[dict[str, str]]] = defaultdict(list)
    for subject, answer in line_answers_of(read_answers(facility.config)).items():
        said = {"code": subject.code, "field": subject.field, "answer": answer.answer}
        given = {"by": answer.by, "at": answer.at.isoformat(timespec="seconds")}
        found[(subject.file_id, subject.line)].append(said | given)
    return dict(found)


def _read_originals(facility: Facility, rows: Rows) -> None:
    """Give every version the text of its lines; of a trace the first and the last."""
    wanted: dict[str, set[int]] = defaultdict(set)
    all_versions = [version for versions in rows.versions.values() for version in versions]
    for version in all_versions:
        wanted[version.file_id] |= {version.first_line, version.last_line}
    texts = {
        file: original_lines(facility, *rows.paths[file], lines)
        for file, lines in wanted.items()
        if file in rows.paths
    }
    for version in all_versions:
        known = texts.get(version.file_id, {})
        lines = sorted({version.first_line, version.last_line})
        version.originals = {line: known[line] for line in lines if line in known}

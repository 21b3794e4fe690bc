"""Everything below `published/`, from frames; no clock, no warehouse."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date
from functools import partial
from pathlib import Path

import polars as pl

from pipeline.publish.coach import publish_norms
from pipeline.publish.database import publish_database
from pipeline.publish.flat import publish_flat
from pipeline.publish.frames import Lazily, in_order, published_tables
from pipeline.publish.people import publish_people
from pipeline.publish.restricted import split_restricted
from pipeline.publish.sample_sets import publish_sample_sets
from pipeline.publish.standing import publish_standing, standing
from pipeline.publish.views import views
from pipeline.publish.words import called
from pipeline.rights import private_folder
from schemas.catalogue import Metric


@dataclass(frozen=True)
class PublishReport:
    """The files written, as they are named now, and the rows of each table."""

    files: list[Path]
    rows: dict[str, int]


def publish(
    frames: Mapping[str, pl.DataFrame],
    told: dict[str, pl.DataFrame],
    people: pl.DataFrame,
    folder: Path,
    *,
    as_of: date,
    valid_on: date,
    units: str,
    facility_name: str,
    catalogue: dict[str, Metric],
    sample_sets: Mapping[str, pl.DataFrame],
    labels: dict[str, str],
    words: Mapping[str, Mapping[str, str]],
) -> PublishReport:
    """Write all that people open below `folder`; equal frames give equal bytes (DuckDB: equal contents).

    `frames` has every published table of the schemas, the restricted ones too; each is asked for several
    times and let go in between, so that they may be made when they are asked for (see `Lazily`). `told`: the
    norms as coaches are told them, as `Telling.tables` gives them. `people` has athlete_id, name and
    birth_date; `sample_sets` has the sets of traces, with the month of each sample. `as_of` is the
    last day of the statistics, `valid_on` the day that staleness counts from, `units` "metric" or "us" for
    what coaches are shown, `labels` what they call a method, `words` a squad, sport, position or level
    (see `called`). Raises ValueError where a frame is not as declared, before anything is written; OSError
    where the disk says no.
    """
    tables, rows = published_tables(), dict[str, int]()
    ready = in_order(frames)

    def counted(name: str) -> pl.DataFrame:
        frame = ready[name]
        rows[name] = frame.height
        return frame

    every = Lazily({name: partial(counted, name) for name in ready})
    shown, apart = split_restricted(every, people, catalogue)
    for name in set(every) - set(rows):
        counted(name)  # to see that it is as declared, before anything is written
    restricted = [table for table in tables if table.restricted or table.name in apart]
    open_to_all = [table for table in tables if not table.restricted]
    title = f"{facility_name}: statistics as of {as_of.isoformat()}, people as of {valid_on.isoformat()}"
    folder.mkdir(parents=True, exist_ok=True)
    # What coaches read is in their words; the tables are not.
    in_words = {name: called(shown[name], words) for name in ("populations", "athletes")}
    told = {name: called(frame, words) for name, frame in told.items()}
    placed = in_words | {name: shown[name] for name in ("against_group", "series")}
    where = standing(placed, people, units, catalogue, labels, valid_on)
    sets = publish_sample_sets(folder / "tables", sample_sets)
    for_owner = {t.name: apart[t.name] if t.name in apart else every[t.name] for t in restricted}
    files = [
        *publish_people(folder / "people", people),
        *publish_database(private_folder(folder / "restricted"), restricted, for_owner, private=True),
    ]
    flat = publish_flat(folder / "tables", [t for t in open_to_all if t.flat], shown, title, sets)
    files += [
        *flat,
        *(path for paths in sets.values() for path in paths),
        *publish_norms(
            folder / "coach",
            {name: shown[name] for name in ("athletes", "results", "series")} | told,
            people,
            units,
            facility_name,
            catalogue,
            labels,
        ),
        *publish_standing(folder / "coach", where, f"{facility_name}, as of {as_of.isoformat()}", units),
    ]
    written = {path.name.partition(".")[0]: path for path in flat if path.suffix == ".parquet"}
    files += publish_database(folder, open_to_all, shown, views(valid_on, catalogue), written)
    return PublishReport(files, {name: rows[name] for name in every})

"""Sessions of a few invented people, as the tables that the steps on levels read."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from datetime import date, timedelta
from typing import Any

import polars as pl

from pipeline.analysis.changes import followed_changes
from pipeline.analysis.drift import with_drift
from pipeline.analysis.norms import norm_weeks
from pipeline.analysis.reliability import reliability
from pipeline.analysis.usable import usable_sessions
from schemas.catalogue import CATALOGUE, Metric
from schemas.frames import empty, polars_schema
from schemas.tables import TABLES

MONDAY = date(2025, 1, 6)


@dataclass
class Hall:
    """A hall with one metric; `add` tests somebody, `tables` is what the steps would read."""

    metric: str = "jump_height"
    catalogue: dict[str, Metric] = field(default_factory=lambda: dict(CATALOGUE))
    rows: list[dict[str, Any]] = field(default_factory=list)
    events: list[dict[str, Any]] = field(default_factory=list)
    sides: tuple[str | None, str | None] = (None, None)

    def add(
        self,
        athlete: str,
        days: Sequence[int],
        values: Sequence[float],
        *,
        series: str = "s",
        available: str = "yes",
        age: float | None = 25.0,
        squad: str | None = None,
        flags: str | None = None,
        trials: int = 3,
    ) -> None:
        """Tests on `days` after MONDAY; the flags are those of every value."""
        for day, value in zip(days, values, strict=True):
            on = MONDAY + timedelta(days=int(day))
            codes = [flags] if flags else []
            codes += ["not_fully_available"] if available != "yes" else []
            self.rows.append(
                {
                    "athlete_id": athlete,
                    "series_id": series,
                    "session_id": f"{athlete}-{on}",
                    "local_date": on,
                    "value": float(value),
                    "n_trials": trials,
                    "flags": ";".join(sorted(codes)) or None,
                    "available": available,
                    "age_years": age,
                    "squad": squad,
                }
            )

    def event(
        self, kind: str, begin: int, end: int, athlete: str | None = None, squad: str | None = None
    ) -> None:
        """An event, in days after MONDAY, the last one included."""
        begins, ends = (MONDAY + timedelta(days=day) for day in (begin, end))
        self.events.append(
            {
                "event_id": f"{kind}{begin}",
                "athlete_id": athlete,
                "squad": squad,
                "kind": kind,
                "from_date": begins,
                "to_date": ends,
            }
        )

    def tables(self) -> dict[str, pl.DataFrame]:
        """The declared tables."""
        unit = self.catalogue[self.metric].unit
        results = [row | {"metric": self.metric, "unit": unit} for row in self.rows]
        sessions = {row["session_id"]: row for row in self.rows}
        members = [row for row in sessions.values() if row["squad"]]
        series = dict.fromkeys(row["series_id"] for row in self.rows)
        left_right = dict(zip(series, self.sides, strict=False))
        return {
            "results": table("results", results),
            "sessions": table("sessions", list(sessions.values())),
            "session_squads": table("session_squads", members),
            "events": table("events", self.events),
            "series": table(
                "series",
                [
                    {"series_id": s, "metric": self.metric, "body_side": side, "pair_id": side and "pair"}
                    for s, side in ((s, left_right.get(s)) for s in series)
                ],
            ),
        }

    def days(self) -> pl.DataFrame:
        """Usable sessions."""
        t = self.tables()
        parts = (t[name] for name in ("results", "sessions", "session_squads", "events", "series"))
        return usable_sessions(*parts, self.catalogue)

    def registry(self) -> pl.DataFrame:
        """The registry, of the days until the last test."""
        results = self.tables()["results"]
        last = max(row["local_date"] for row in self.rows)
        sexes = results.select("athlete_id").unique().with_columns(sex=pl.lit("female"))
        days = self.days()
        weeks = norm_weeks(results, last)
        rows = reliability(days, empty(TABLES["measurements"]), sexes, self.catalogue, weeks)
        return with_drift(rows, days, self.catalogue)

    def followed(self, season_start: str = "09-01") -> pl.DataFrame:
        """Every change."""
        t = self.tables()
        return followed_changes(
            self.days(), self.registry(), t["events"], t["session_squads"], self.catalogue, season_start
        )


def table(name: str, rows: list[dict[str, Any]]) -> pl.DataFrame:
    """Rows as a declared table; what a row does not say is NULL, what the table does not have is left out."""
    schema = polars_schema(TABLES[name])
    return pl.DataFrame([{c: row.get(c) for c in schema} for row in rows], schema=schema, orient="row")

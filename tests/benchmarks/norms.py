"""One week's norms and comparisons at scale, beside a pandas script: `python -m tests.benchmarks.norms`.

10 000 athletes × 60 metrics × 5 years, tested every quarter: 12 million results. Prints seconds of wall and
of processor time, a week of backfills of different lengths (the same where the backfill is linear), and the
ratio to pandas (`pip install pandas`), all in one run, what is short three times over, the least of which
counts; wall time says something only on a machine that has nothing else to do. The longest backfill takes
some gigabytes. The script does less: medians, quantiles and ranks in the four groupings, the athlete left in,
no intervals.
"""

from __future__ import annotations

import time
from collections.abc import Callable
from datetime import date, timedelta
from typing import Any, TypeAlias

import numpy as np
import polars as pl

from pipeline.analysis.comparisons import against_group
from pipeline.analysis.norms import Seen, weekly_norms
from pipeline.analysis.populations import age_band
from pipeline.analysis.told import Telling
from pipeline.numerics.percentiles import Floats
from schemas.catalogue import CATALOGUE, Metric

ATHLETES, METRICS, SESSIONS, SEED = 10_000, 60, 20, 1
BACKFILLS = (10, 30, 60)  # weeks
TIMES = 3  # the least of so many: others may use the machine
FIRST = date(2021, 1, 4)
Seconds: TypeAlias = Floats  # of wall, of the processor
LADDER: tuple[list[str], ...] = (
    ["sport", "position", "competition_level"],
    ["sport", "competition_level"],
    ["sport"],
    [],
)


def made() -> tuple[pl.DataFrame, pl.DataFrame, pl.DataFrame, dict[str, Metric]]:
    """Results, people, their state (sport, position, level) and a catalogue of as many metrics."""
    rng = np.random.default_rng(SEED)
    catalogue = {
        f"m{i}": CATALOGUE["jump_height"].model_copy(update={"metric": f"m{i}"}) for i in range(METRICS)
    }
    who = pl.Series([f"a{i:05d}" for i in range(ATHLETES)])
    # As the table is read: a series after the other, by session_id, which says nothing of athlete and day.
    session = np.concatenate([rng.permutation(ATHLETES * SESSIONS) for _ in range(METRICS)])
    athlete, occasion = np.divmod(session, SESSIONS)
    metric = np.repeat(np.arange(METRICS), ATHLETES * SESSIONS)
    day = occasion * 91 + athlete % 91
    first = (FIRST - date(1970, 1, 1)).days
    value = 40 * np.exp(rng.normal(0, 0.15, athlete.size))
    results = pl.DataFrame(
        {
            "athlete_id": who[athlete],
            "metric": pl.Series([f"m{i}" for i in range(METRICS)])[metric],
            "series_id": pl.Series([f"s{i:015d}" for i in range(METRICS)])[metric],
            "local_date": pl.Series((day + first).astype(np.int32)).cast(pl.Date),
            "value": value,
            "session_error": value * 0.04,
            "flags": pl.repeat(None, athlete.size, dtype=pl.String, eager=True),
        }
    )
    born = (first - rng.integers(12 * 365, 35 * 365, ATHLETES)).astype(np.int32)
    sex = np.where(np.arange(ATHLETES) % 2, "female", "male")
    people = pl.DataFrame({"athlete_id": who, "sex": sex, "birth_date": pl.Series(born).cast(pl.Date)})
    keys = {
        name: pl.Series([f"{name}{i}" for i in range(n)])[rng.integers(0, n, ATHLETES)]
        for name, n in (("sport", 10), ("position", 3), ("competition_level", 3))
    }
    return results, people, pl.DataFrame({"athlete_id": who, **keys}), catalogue


def by_pandas(results: Any, people: Any, week: date) -> list[Any]:
    """What a plain script does: a median an athlete, quantiles and a rank by group."""
    import pandas as pd

    day = pd.Timestamp(week + timedelta(days=6))
    window = results[(results.local_date > day - pd.Timedelta(days=365)) & (results.local_date <= day)]
    value = window.groupby(["athlete_id", "metric"])["value"].median().reset_index()
    joined = value.merge(people, on="athlete_id")
    found = []
    for keys in LADDER:
        grouped = joined.groupby(["sex", "band", *keys, "metric"])["value"]
        norms = grouped.quantile([0.05, 0.1, 0.25, 0.5, 0.75, 0.9, 0.95]).unstack()
        norms[["n", "mean", "sd"]] = grouped.agg(["size", "mean", "std"])
        found.append((norms, grouped.rank(pct=True)))
    return found


def timed(name: str, work: Callable[[], Any], times: int = 1) -> tuple[Seconds, Any]:
    """Do a piece of work, some times over, and say how long it took at least."""
    seconds = np.full(2, np.inf)
    for _ in range(times):
        wall, cpu = time.perf_counter(), time.process_time()
        found = work()
        seconds = np.minimum(seconds, [time.perf_counter() - wall, time.process_time() - cpu])
    say(name, seconds)
    return seconds, found


def say(name: str, seconds: Seconds) -> None:
    """Print seconds of wall and of processor time."""
    print(f"{name:<42} {seconds[0]:6.2f} s, {seconds[1]:6.2f} s of processor time", flush=True)


class Clocked:
    """The walk over the weeks of what is told, and the seconds it takes: of wall and of processor time."""

    def __init__(self) -> None:
        self.telling = Telling()
        self.seconds: Seconds = np.zeros(2)

    def see(self, *week: Any) -> None:
        """See a week, by the clock."""
        wall, cpu = time.perf_counter(), time.process_time()
        self.telling.see(*week)
        self.seconds += time.perf_counter() - wall, time.process_time() - cpu


def main() -> None:
    """Make the data, do each thing once or, where it is short, some times over; print the figures."""
    results, people, state, catalogue = made()
    last: date = results["local_date"].max()  # type: ignore[assignment]
    monday = last - timedelta(days=last.weekday())
    weeks = [monday - timedelta(days=7 * i) for i in range(max(BACKFILLS) - 1, -1, -1)]
    states = state.join(pl.DataFrame({"week": weeks}), how="cross")
    print(f"{results.height:,} results of {ATHLETES:,} athletes; seed {SEED}")

    def norms(which: list[date], seen: Seen | None = None) -> dict[str, pl.DataFrame]:
        return weekly_norms(results, people, states, catalogue, last, "09-01", weeks=which, seen=seen)

    first, found = timed("norms of one week", lambda: norms([monday]), TIMES)
    tables = found["norms"], found["populations"]
    second, _ = timed(
        "comparisons of that week",
        lambda: against_group(results, people, states, *tables, catalogue, last, "09-01"),
        TIMES,
    )
    say("both", first + second)
    for n in BACKFILLS:
        clocked = Clocked()
        took, _ = timed(f"norms of {n} weeks, told", lambda n=n, c=clocked: norms(weeks[-n:], c.see))  # type: ignore[misc]
        say("  a week of these beyond the first", (took - clocked.seconds - first) / (n - 1))
        say("  the walk of what is told, a week", clocked.seconds / n)
    timed("the tables of what is told", lambda: clocked.telling.tables(catalogue, "09-01"))
    try:
        import pandas  # noqa: F401
    except ImportError:
        print("pandas is not installed: no figure beside it")
        return
    banded = people.with_columns(band=age_band(pl.col("birth_date"), monday + timedelta(days=6)))
    frames = results.to_pandas(), banded.join(state, on="athlete_id").drop("birth_date").to_pandas()
    script, _ = timed("the pandas script", lambda: by_pandas(*frames, monday), TIMES)
    ratio = script / (first + second)
    print(f"the script takes {ratio[0]:.1f} times as long as both ({ratio[1]:.1f} of processor time)")


if __name__ == "__main__":
    main()

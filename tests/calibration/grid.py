"""The grid: circumstances, and what is counted in each."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np
import polars as pl

from pipeline.numerics.two_speeds import FAST_SHARE
from tests.calibration.athletes import BASELINE_SESSIONS, Cell, simulate
from tests.calibration.judge import Judged, rules, shipped

GAINS = (0.5, 1.0, 1.5, 2.0)  # in MDC95
MIXED = tuple((1 / 12, gain) for gain in GAINS)  # of a squad of 60: 5 each, 40 stay as they are
FEW = ((1 / 60, 1.0), (2 / 60, 2.0))
OURS = "as shipped"
LOUD = {"session_sd": 5.54}  # with three trials of 3 % a session error of 5.8 %
FLOOR = 1.5  # the drift floor of jumps

CELLS = (
    Cell("weekly, nobody changes"),
    Cell("fortnightly, nobody changes", 2),
    Cell("4-weekly, nobody changes", 4),
    Cell("weekly, 5.8 %, nobody changes", 1, **LOUD),
    Cell("4-weekly, 5.8 %, nobody changes", 4, **LOUD),
    Cell("weekly, drifts as modelled", 1, drift=FLOOR, fast_share=FAST_SHARE),
    Cell("fortnightly, drifts as modelled", 2, drift=FLOOR, fast_share=FAST_SHARE),
    Cell("4-weekly, drifts as modelled", 4, drift=FLOOR, fast_share=FAST_SHARE),
    Cell("weekly, drifts at the floor", 1, drift=FLOOR),
    Cell("weekly, drifts 2.5 %", 1, drift=2.5),
    Cell("weekly, a third improve", gains=MIXED),
    Cell("fortnightly, a third improve", 2, gains=MIXED),
    Cell("4-weekly, a third improve", 4, gains=MIXED),
    Cell("weekly, 5.8 %, a third improve", 1, gains=MIXED, **LOUD),
    Cell("4-weekly, 5.8 %, a third improve", 4, gains=MIXED, **LOUD),
    Cell("weekly, few improve", gains=FEW),
    Cell("4-weekly, few improve", 4, gains=FEW),
    Cell("weekly, learning", learning=(3.0, 1.0), gains=MIXED),
    Cell("weekly, outliers", outliers=0.05, gains=MIXED),
    Cell("weekly, 3 in 10 weeks missing", missed=0.3, gains=MIXED),
)


def measure(cell: Cell, facilities: int, athletes: int, seed: int) -> pl.DataFrame:
    """A row a rule: false calls, coverage and power of one cell, all shares of athletes (coverage: of looks).

    `false_better`: ever called better in 24 weeks of looks, of those who stay as they are; `power_…`: of
    those who gained so much, ever, and `end_power_…` at the last look.
    """
    world = simulate(cell, facilities, athletes, seed)
    judged = shipped(world, cell)
    called = {OURS: judged.better, **rules(world, cell)}
    looked = slice(1 + BASELINE_SESSIONS, None)
    still = world.gain == 0
    rows = []
    for rule, calls in called.items():
        ever, last = calls[:, looked].any(axis=1), calls[:, -1]
        row = {
            "cell": cell.name,
            "rule": rule,
            "athletes": int(still.size),
            "false_better": ever[still].mean(),
        }
        for gain in GAINS:
            at = world.gain == gain
            row[f"power_{gain}"] = ever[at].mean() if at.any() else None
            row[f"end_power_{gain}"] = last[at].mean() if at.any() else None
        rows.append(row | (_of_ours(judged, still, looked) if rule == OURS else {}))
    return pl.DataFrame(rows, infer_schema_length=None)


def _of_ours(judged: Judged, still: np.ndarray, looked: slice) -> dict[str, float | None]:
    covered = judged.covered[:, looked]
    return {
        "false_worse": judged.worse[still][:, looked].any(axis=1).mean(),
        "false_leaning": judged.leaning[still][:, looked].any(axis=1).mean(),
        "false_any_span": judged.better_any_span[still][:, looked].any(axis=1).mean(),
        "coverage": float(np.nanmean(covered)),
        "coverage_still": float(np.nanmean(covered[still])),
        "coverage_changed": float(np.nanmean(covered[~still])) if (~still).any() else None,
        "standing_calls": judged.standing_calls,
        "expected_standing": judged.expected_standing,
        "new_calls": judged.new_calls,
        "expected_new": judged.expected_new,
        "drift": judged.drift,
    }


def run(facilities: int, athletes: int, cells: tuple[Cell, ...] = CELLS) -> Iterator[pl.DataFrame]:
    """The measures of each cell, the seed its number."""
    for seed, cell in enumerate(cells, start=1):
        yield measure(cell, facilities, athletes, seed)


def dominated(measures: pl.DataFrame) -> pl.DataFrame:
    """Where another rule has fewer false calls and more power than ours: cell, rule, power."""
    ours = measures.filter(pl.col("rule") == OURS)
    found = []
    for gain in GAINS:
        for power in (f"power_{gain}", f"end_power_{gain}"):
            both = measures.filter(pl.col("rule") != OURS).join(ours, on="cell", suffix="_ours")
            beaten = (pl.col("false_better") < pl.col("false_better_ours")) & (
                pl.col(power) > pl.col(f"{power}_ours")
            )
            found.append(both.filter(beaten).select("cell", "rule", power=pl.lit(power)))
    return pl.concat(found)

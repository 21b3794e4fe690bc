"""The calibration in words: a table, and what does not hold."""

from __future__ import annotations

import polars as pl

from pipeline.numerics.two_speeds import FAST_SHARE
from tests.calibration.athletes import TRIALS
from tests.calibration.grid import GAINS, OURS, dominated

FALSE_MOST = 0.05
COVERAGE = (0.88, 0.92)
_AS_MODELLED = "drifts as modelled"
# Everybody's level moves there, so that a call is not false.
_MOVING = "drifts"

_HEAD = f"""# How often the verdicts are right

Made by `make calibrate`; do not edit. Simulated athletes of known truth, through the very steps that a
facility runs (usable sessions, reliability, drift, changes), 40 facilities of 60 athletes a row,
{TRIALS} trials a session, 24 weeks of looks after a first session and a baseline of three. Session
errors: 2.5 % from day to day and 3 % a trial (3.0 % a session, MDC95 8.4 %), or 5.8 % a session where
the row says so (MDC95 16 %). Each facility's borrowed error is off by as much as 10 degrees of freedom
are; own repeats take its place where sessions are 14 days apart or less.

- *Nobody changes*: levels stand still, values differ by noise alone. *Improve*: a straight line over
  eight weeks, by half, one, one and a half or twice the MDC95 (*a third*: five athletes of 60 each;
  *few*: one and two of 60, by one and two MDC95). *Drifts*: a random walk of everybody's level, SD 1.5 %
  in 28 days unless said; *as modelled*: {FAST_SHARE:.0%} of the
  athletes at four times that, which is what the shipped
  model assumes.
- False calls: the share of athletes who stay as they are and are called better at any look of the 24
  weeks. Power: the share called better at any look (and at the last one).
- Coverage: how often the 90 % interval of the change held the true change, over all looks.

**What remains.** Over a whole squad the intervals hold; for those alone who improve fast they lag behind
while the change goes on (column "of those who change"): a level is drawn to where it was.


"""


def report(measures: pl.DataFrame) -> str:
    """The page, in Markdown."""
    ours = measures.filter(pl.col("rule") == OURS)
    parts = [_HEAD, "## As shipped\n\n", _table(_of_ours(ours)), "\n## Beside three rules people use\n\n"]
    parts += ["False calls, then power at +0.5, 1, 1.5, 2 MDC95 at any look (at the last look).\n\n"]
    parts += [_table(_by_rule(measures)), "\n"]
    beaten = dominated(measures)
    said = "Nowhere on the grid has one of the three both fewer false calls and more power.\n"
    return "".join(
        [*parts, said if beaten.is_empty() else f"Beaten on both counts:\n\n{_table(_text(beaten))}"]
    )


def failures(measures: pl.DataFrame) -> list[str]:
    """What is claimed and does not hold, a sentence each."""
    wrong = []
    for row in measures.filter(pl.col("rule") == OURS).iter_rows(named=True):
        name, cover = row["cell"], row["coverage"]
        if _MOVING not in name:
            for what in ("false_better", "false_worse", "false_leaning", "false_any_span"):
                if row[what] > FALSE_MOST:
                    wrong.append(f"{name}: {what} {row[what]:.3f} is above {FALSE_MOST}")
        if _AS_MODELLED in name and not COVERAGE[0] <= cover <= COVERAGE[1]:
            wrong.append(f"{name}: coverage {cover:.3f} is not within {COVERAGE}")
        if cover < COVERAGE[0]:
            wrong.append(f"{name}: coverage {cover:.3f} is below {COVERAGE[0]}")
    beaten = dominated(measures).iter_rows(named=True)
    return wrong + [
        f"{row['cell']}: {row['rule']} is better on both counts ({row['power']})" for row in beaten
    ]


def _percent(name: str) -> pl.Expr:
    return (pl.col(name) * 100).round(1).cast(pl.String).fill_null("")


def _of_ours(ours: pl.DataFrame) -> pl.DataFrame:
    moving = pl.col("cell").str.contains(_MOVING)
    return ours.select(
        pl.col("cell").alias("circumstances"),
        *(
            pl.when(moving).then(pl.lit("")).otherwise(_percent(column)).alias(title)
            for column, title in (
                ("false_better", "false better %"),
                ("false_worse", "false worse %"),
                ("false_leaning", "false leaning or better %"),
                ("false_any_span", "false better, any span %"),
            )
        ),
        _percent("coverage").alias("coverage %"),
        _percent("coverage_still").alias("of those who stay"),
        _percent("coverage_changed").alias("of those who change"),
        pl.format("{} / {}", pl.col("expected_new").round(0).cast(pl.Int64), "new_calls").alias(
            "new calls expected of nothing / made"
        ),
        pl.col("drift").round(2).cast(pl.String).alias("drift found %"),
    )


def _by_rule(measures: pl.DataFrame) -> pl.DataFrame:
    powers = [
        pl.format("{} ({})", _percent(f"power_{gain}"), _percent(f"end_power_{gain}"))
        .str.replace(" ()", "", literal=True)
        .alias(f"+{gain} MDC95")
        for gain in GAINS
    ]
    still = measures.filter(~pl.col("cell").str.contains(_MOVING))
    return still.select("cell", "rule", _percent("false_better").alias("false better %"), *powers)


def _text(frame: pl.DataFrame) -> pl.DataFrame:
    return frame.select(pl.all().cast(pl.String))


def _table(frame: pl.DataFrame) -> str:
    rows = ["| " + " | ".join(cells) + " |" for cells in (frame.columns, *frame.iter_rows())]
    return "\n".join([rows[0], "|" + "---|" * frame.width, *rows[1:]]) + "\n"

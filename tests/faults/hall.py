"""A small facility that goes through all that a run does: gates, a mat, a trace, questions, a re-export.

Its files have fixed times, so that equal histories give equal drops.
"""

from __future__ import annotations

import os
from pathlib import Path

from tests.intake.facility_maker import JUMPS, JUMPS_HEADER, ROSTER, RUNS, run, runs, write_config
from tests.intake.test_traces import ONE_RUN, file_a_run

SETTINGS = """
name = "Test hall"
timezone = "Europe/Lisbon"
settle_seconds = 0
[devices.gates-1]
family = "timing_gates"
since = 2024-01-01
[devices.mat-1]
family = "contact_mat"
[devices.line-1]
family = "resisted_sprint"
"""
LAYOUTS = {"runs": RUNS, "jumps": JUMPS, "one-run": ONE_RUN}
MORE = "".join(f"a{n:02d},Athlete {n},2000-0{n - 5}-01,female,\n" for n in range(6, 13))
VALID_ON = ("--valid-on", "2025-05-01")
WRITTEN = 1_750_000_000  # [s]: when all files were written

JUMPERS = ("Ana Prado", "João Sá", "Mia Lund", *(f"Athlete {n}" for n in range(6, 13)))
FAR = file_a_run(samples=50)


def jumps(day: str, ms: int, *extra: str) -> str:
    """Three jumps of everybody on a day, about `ms` [ms] in the air."""
    lines = [
        f"{who},{day} 10:{at:02d}:0{trial},{ms + 7 * at + 3 * trial}\n"
        for at, who in enumerate(JUMPERS)
        for trial in range(3)
    ]
    return JUMPS_HEADER + "".join((*lines, *extra))


STRANGER = "Stranger,2025-04-02 11:00:00,{}\n"
FIRST = {
    "gates-1/a.csv": runs(run(), run(trial=2), run(trial=3, split="x"), run("Nobody", trial=4)),
    "gates-1/b.csv": runs(run("João Sá"), run("João Sá", trial=2, split="1.9"), run("Rui Costa", trial=5)),
    "mat-1/march.csv": jumps("2025-03-03", 480),
    "mat-1/april.csv": jumps("2025-04-02", 490, STRANGER.format(470), STRANGER.format(475)),
    "line-1/far_1.csv": FAR,
    "nowhere/x.csv": "a,b\n1,2\n",
}
# A re-export with another value, the same bytes elsewhere, a name that is answered already, a third day.
SECOND = {
    "gates-1/a2.csv": runs(run(split="1.86"), run(trial=2), run(trial=9), run("Nobody", trial=6)),
    "gates-1/again/b.csv": FIRST["gates-1/b.csv"],
    "mat-1/late.csv": jumps("2025-04-16", 500),
    "line-1/far_2.csv": file_a_run("Mia Lund", day="2025-04-03", samples=50),
}


def drop(folder: Path, files: dict[str, str]) -> None:
    """Put files into the inbox of a facility."""
    for place, text in files.items():
        path = folder / "inbox" / place
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_text(text, encoding="utf-8", newline="")
        os.utime(path, (WRITTEN, WRITTEN))


def new_hall(folder: Path) -> Path:
    """The facility with its first files in the inbox."""
    write_config(folder, LAYOUTS, SETTINGS, ROSTER + MORE)
    drop(folder, FIRST)
    return folder

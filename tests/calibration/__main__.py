"""`make calibrate`: the whole grid, as CSV, table and picture beside this file."""

from __future__ import annotations

import sys
from pathlib import Path

import polars as pl

from tests.calibration.grid import CELLS, dominated, run
from tests.calibration.picture import picture
from tests.calibration.report import failures, report

FACILITIES, ATHLETES = 40, 60
HERE = Path(__file__).parent


def main() -> int:
    """Measure, write, and say what does not hold; 1 where something does not."""
    found = []
    for measures in run(FACILITIES, ATHLETES):
        found.append(measures)
        print(f"  {len(found)} of {len(CELLS)}: {measures['cell'][0]}", flush=True)
    measures = pl.concat(found, how="diagonal_relaxed")
    measures.write_csv(HERE / "calibration.csv", float_precision=4)
    texts = {"calibration.md": report(measures), "calibration.svg": picture(measures)}
    for name, text in texts.items():
        (HERE / name).write_bytes(text.encode("utf-8"))
    wrong = failures(measures)
    print("\n".join(wrong) if wrong else "All that is claimed holds; see tests/calibration/calibration.md.")
    print(f"Cells where another rule beats ours on both counts: {dominated(measures).height}")
    return 1 if wrong else 0


if __name__ == "__main__":
    sys.exit(main())

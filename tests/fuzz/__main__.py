"""Damage sample exports in ever other ways, take them in, and check the law of rows on every line.

    python -m tests.fuzz --count 1000000 --seed 7

Exit 1 where something broke: the fewest files that break it are then in a folder, with what broke.
"""

from __future__ import annotations

import argparse
import sys
import tempfile
import time
from pathlib import Path

from tests.fuzz.batches import broken, damaged_files, fewest, write_case
from tests.fuzz.exports import make_hall

PEAK_MB = 1_500
"""Peak memory [MB] of the process that is not to be passed, however many files are taken in."""


def peak_mb() -> float | None:
    """Peak resident memory [MB] of this process so far; None where the system does not say."""
    try:
        status = Path("/proc/self/status").read_text(encoding="utf-8")
    except OSError:
        return None
    return next(int(line.split()[1]) / 1000 for line in status.splitlines() if line.startswith("VmHWM"))


def fuzz(count: int, seed: int, batch: int, cases: Path, first: int = 0) -> list[Path]:
    """Take in `count` damaged exports in batches; the folders of what broke."""
    found: list[Path] = []
    with tempfile.TemporaryDirectory(prefix="yardmark-fuzz-") as place:
        hall = Path(place) / "hall"
        make_hall(hall)
        start, done, number = time.perf_counter(), 0, first
        while done < count:
            files = damaged_files(hall, seed, number, min(batch, count - done))
            wrong = broken(files, hall)
            if wrong:
                few = fewest(files, lambda some: bool(broken(some, hall)))
                told = f"seed {seed}, batch {number} of {batch} files"
                folder = write_case(cases / f"seed-{seed}-batch-{number}", few, broken(few, hall), told)
                print(f"broken, see {folder}:\n{wrong[0]}", flush=True)
                found.append(folder)
            done, number = done + len(files), number + 1
            rate = done / (time.perf_counter() - start)
            told = f"{done:,} files, {rate:.0f} a second, peak {peak_mb() or 0:,.0f} MB, {len(found)} broken"
            print(told, flush=True)
    return found


def main() -> int:
    """Do what the arguments say."""
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--count", type=int, default=1_000_000, help="damaged files to take in")
    parser.add_argument("--seed", type=int, default=1, help="other seeds, other damage")
    parser.add_argument("--batch", type=int, default=2_500, help="files taken in together")
    parser.add_argument("--first", type=int, default=0, help="number of the first batch: to repeat one")
    parser.add_argument("--cases", type=Path, default=Path("fuzz-cases"), help="where to put what broke")
    given = parser.parse_args()
    found = fuzz(given.count, given.seed, given.batch, given.cases, given.first)
    peak = peak_mb()
    if peak is not None and peak > PEAK_MB:
        print(f"peak memory {peak:,.0f} MB is over {PEAK_MB:,} MB", file=sys.stderr)
        return 1
    return 1 if found else 0


if __name__ == "__main__":
    sys.exit(main())

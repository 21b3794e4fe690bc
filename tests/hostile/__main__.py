"""A line of any size, taken in: how long it takes, and how much memory.

    python -m tests.hostile --megabytes 2000

Exit 1 where a line is lost or the peak memory is over the limit.
"""

from __future__ import annotations

import argparse
import sys
import tempfile
import time
from pathlib import Path

from tests.fuzz.__main__ import peak_mb
from tests.intake.facility_maker import SETTINGS, Hall, run, runs

PEAK_MB = 2_000
"""Peak memory [MB] that is not to be passed, whatever the size of a line."""
_BLOCK = 8_000_000


def long_line(file: Path, megabytes: int, what: bytes, around: bool) -> None:
    """Write a line of so many MB to a file, alone in it or between sound lines."""
    with file.open("wb") as stream:
        stream.write(runs(run(trial=1)).encode() if around else b"")
        for _ in range(megabytes * 1_000_000 // _BLOCK):
            stream.write(what * (_BLOCK // len(what)))
        stream.write(b"\n" + run(trial=2).encode() if around else b"")


def main() -> int:
    """Do what the arguments say."""
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--megabytes", type=int, default=2_000)
    given = parser.parse_args()
    lost = False
    with tempfile.TemporaryDirectory(prefix="yardmark-hostile-") as place:
        hall = Hall(Path(place), settings=SETTINGS.replace("guests", "max_file_mb = 100000\nguests"))
        (hall.inbox / "gates-1").mkdir()
        for what, around in ((b"x,", True), (b'"', True), (b"\x00", True), (b"x,", False), (b"\r", False)):
            long_line(hall.inbox / "gates-1" / "long.csv", given.megabytes, what, around)
            start = time.perf_counter()
            hall.take_in()
            took = time.perf_counter() - start
            told = hall.counts()[-1]
            lost |= told.get("held", 0) != 1 if around else bool(told.get("loaded"))
            line = f"{given.megabytes:,} MB of {what!r} {'between others' if around else 'alone'}"
            print(f"{line}: {told}, {took:.1f} s, peak {peak_mb() or 0:,.0f} MB", flush=True)
        held = hall.table("held_rows")
        print(sorted(held["code"]))
    peak = peak_mb()
    return 1 if lost or (peak is not None and peak > PEAK_MB) else 0


if __name__ == "__main__":
    sys.exit(main())

"""Does a watcher grow? Files dropped far faster than in life, and its memory looked at all the while.

    python -m tests.soak --minutes 60 --every 1

A hall drops a file a minute at most: one a second is sixty times that. `tests/end_to_end/test_soak.py` runs
a short form.
"""

from __future__ import annotations

import argparse
import random
import statistics
import sys
import tempfile
import time
from dataclasses import dataclass
from datetime import datetime, timedelta
from pathlib import Path

from pipeline.facility.init import init_facility
from tests.end_to_end.watched import Watched, wait_for

LAYOUT = """layout = "mat"
family = "contact_mat"
device = "mat"
[match]
header = ["who", "when", "flight"]
[columns.athlete]
from = "who"
[columns.performed_at]
from = "when"
format = "%Y-%m-%d %H:%M:%S"
[columns.test]
value = "countermovement_jump"
[columns.flight_time_s]
from = "flight"
unit = "s"
"""


@dataclass(frozen=True)
class Soaked:
    """Memory of the watcher [KiB] over the files dropped, and how many of them were taken in."""

    resident_kb: list[int]
    dropped: int
    taken: int

    def thirds(self) -> tuple[float, float]:
        """Median memory of the second and of the last third [MiB]; the first is warming up."""
        third = len(self.resident_kb) // 3
        parts = self.resident_kb[third : 2 * third], self.resident_kb[2 * third :]
        middle, last = (statistics.median(part) / 1024 for part in parts)
        return middle, last


def hall(folder: Path) -> Path:
    """A facility with one mat and twenty people."""
    init_facility(folder)
    config = folder / "config"
    people = [f"p{n:02d},Person {n},2000-01-01,female," for n in range(20)]
    lines = ["athlete_id,name,birth_date,sex,aliases", *people]
    (config / "athletes.csv").write_text("\n".join(lines) + "\n", encoding="utf-8")
    settings = (config / "facility.toml").read_text(encoding="utf-8")
    settings = settings.replace("settle_seconds = 10", "settle_seconds = 0")
    settings = settings.replace("settle_unfinished_seconds = 60", "settle_unfinished_seconds = 0")
    device = '\n[devices.mat]\nfamily = "contact_mat"\n'
    (config / "facility.toml").write_text(settings + device, encoding="utf-8")
    (config / "layouts" / "mat.toml").write_text(LAYOUT, encoding="utf-8")
    return folder


def export(number: int) -> str:
    """One session of the hall: sixty jumps."""
    chance = random.Random(number)
    start = datetime(2024, 1, 1, 9) + timedelta(hours=12 * (number % 1500), seconds=number // 1500)
    lines = ["who,when,flight"]
    for trial in range(60):
        moment = start + timedelta(seconds=20 * trial)
        lines.append(f"Person {trial % 20},{moment:%Y-%m-%d %H:%M:%S},{chance.uniform(0.4, 0.6):.3f}")
    return "\n".join(lines) + "\n"


def soak(installed: Path, folder: Path, seconds: float, every: float) -> Soaked:
    """Drop a file `every` so many seconds [s] for `seconds` [s] under a watcher of its own."""
    facility = hall(folder / "hall")
    watched = Watched(installed, facility, folder / "watch.log")
    watched.start()
    resident: list[int] = []
    dropped, start = 0, time.monotonic()
    try:
        while time.monotonic() - start < seconds:
            (facility / "inbox" / f"{dropped:05d}.csv").write_text(export(dropped), encoding="utf-8")
            dropped += 1
            time.sleep(every)
            resident.append(watched.resident_kb())
        wait_for("the inbox is empty", lambda: not any((facility / "inbox").iterdir()))
        watched.stop()
    finally:
        if watched._process is not None and watched._process.poll() is None:
            watched.kill()
    taken = len((facility / "archive" / "index.csv").read_text(encoding="utf-8").splitlines()) - 1
    return Soaked(resident, dropped, taken)


def main() -> int:
    """Soak, and print what the memory did."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--minutes", type=float, default=60)
    parser.add_argument("--every", type=float, default=1, help="seconds between files")
    arguments = parser.parse_args()
    with tempfile.TemporaryDirectory() as folder:
        here = Path(__file__).resolve().parents[1]
        found = soak(here, Path(folder), arguments.minutes * 60, arguments.every)
    step = max(1, len(found.resident_kb) // 12)
    print("memory [MiB]:", ", ".join(f"{kb / 1024:.0f}" for kb in found.resident_kb[::step]))
    middle, last = found.thirds()
    print(
        f"{found.taken} of {found.dropped} files taken in; second third {middle:.0f} MiB, last {last:.0f} MiB"
    )
    return 0


if __name__ == "__main__":
    sys.exit(main())

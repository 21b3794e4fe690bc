"""The page beside the exports: what they show, and where each planted fault is."""

from dataclasses import replace

from .faults.base import Book, Fault
from .faults.modes import MODES
from .spec import Spec
from .truth import place_of

_HEAD = """<!-- generated, edit generator/readme.py and run generate.py -->
# Sample exports

An invented academy on an invented coast: rowers, handball and hockey players and track cyclists of 14 to 34
years. No person, place, device or number here is real. The files lie as they would below `inbox/`, one folder
a device; the roster, the layouts and one recorded correction are in `config/demo/`.

Make them again (the same seed gives the same bytes; the truth goes outside the exports):

    python sample_exports/generate.py --seed {seed} --out sample_exports --truth some/folder

`measurements.csv` of the truth has a row a number (before and after rounding, its step, its fate),
`lines.csv` a row a physical line, `runs.csv` a row a run with a trace and what it comes to without noise,
`faults.csv` a row a planted fault.

## The devices
"""


def _device(spec: Spec, book: Book, shows: str) -> str:
    """A line of the device table."""
    files = [export for export in book.values() if export.spec is spec]
    lines = sum(len(export.data()) for export in files)
    counts = f"{len(files)} | {lines} | {shows}"
    return f"| `{spec.device}/` | {spec.device_family} | `{spec.layout}` | {counts} |"


def _table(header: tuple[str, ...], lines: list[str]) -> str:
    """A table."""
    head = "| " + " | ".join(header) + " |\n|" + "---|" * len(header) + "\n"
    return head + "".join(line + "\n" for line in lines)


def _fault(fault: Fault, lines: list[str]) -> str:
    """A line of the fault table."""
    code = f"`{fault.code}`" if fault.code else ""
    modes = ", ".join(map(str, fault.modes))
    return f"| {fault.title} | {modes} | `{fault.path}` | {', '.join(lines)} | {code} | {fault.does} |"


def _faults(book: Book, faults: list[Fault]) -> list[str]:
    """The lines of the fault table; equal faults of a file share one."""
    lines: dict[Fault, list[str]] = {}
    for fault in faults:
        shared = replace(fault, line=None, written="")
        lines.setdefault(shared, []).append(str(place_of(book, fault) or "all"))
    return [_fault(fault, places) for fault, places in lines.items()]


def _repeats(book: Book) -> str:
    """The files that hold lines of earlier ones."""
    found = []
    for path in sorted(book):
        again = sum(line.fate == "repeated" for line in book[path].data())
        if again > 1:
            found.append(f"| `{path}` | {len(book[path].data())} | {again} |")
    return _table(("file", "lines", "of them repeated"), found)


def readme_text(seed: int, book: Book, faults: list[Fault], shows: dict[str, str]) -> str:
    """The whole page; `shows` says of each device what it shows."""
    devices = list({export.spec.device: export.spec for export in book.values()}.values())
    header = ("folder", "family", "layout", "files", "lines", "shows")
    rows = [_device(spec, book, shows[spec.device]) for spec in sorted(devices, key=lambda one: one.device)]
    table = _table(header, rows)
    columns = ("fault", "mode", "file", "line", "code", "what yardmark does")
    planted = _table(columns, _faults(book, faults))
    modes = sorted({mode for fault in faults for mode in fault.modes})
    ways = _table(("mode", "what goes wrong"), [f"| {mode} | {MODES[mode]} |" for mode in modes])
    return (
        _HEAD.format(seed=seed)
        + table
        + "\n## Faults planted on purpose\n\nLines are counted in the file, the first being 1.\n\n"
        + planted
        + "\nThe modes, by their number:\n\n"
        + ways
        + "\n## Exports that overlap\n\nWhat an earlier file had is counted as repeated and stored once.\n\n"
        + _repeats(book)
    )

"""From a seed to the exports, their truth and the page that tells the faults."""

from dataclasses import replace
from pathlib import Path

from .export import Export, line_key, make_export, to_bytes
from .families import all_families
from .faults.base import Book, Fault
from .faults.cells import marked_trials
from .layout import layout_of, toml_text
from .levels import levels
from .people import Roster, read_roster
from .readme import readme_text
from .spec import Spec
from .truth import write_truth

DEFAULT_SEED = 7


def specs(changed: bool = False) -> dict[str, Spec]:
    """The export format of every device: the demo's, or the same written quite otherwise."""
    found: dict[str, Spec] = {}
    for family in all_families():
        found |= family.CHANGED if changed else family.SPECS
    return found


def device_folders() -> list[str]:
    """The folders below `sample_exports/` that hold exports, one a device."""
    return sorted(specs())


def _mark_repeats(book: Book) -> None:
    """In the order of intake (by path), a line that an earlier file of the device had is repeated."""
    seen: set[object] = set()
    for path in sorted(book):
        for line in book[path].data():
            if line.row is None:
                continue
            key = line_key(book[path].spec, line.row)
            line.fate = "repeated" if key in seen else "loaded"
            seen.add(key)


def make_book(seed: int, roster: Roster, changed: bool = False) -> tuple[Book, list[Fault]]:
    """All files with their faults planted."""
    book: Book = {}
    formats, able = specs(changed), levels(seed, roster)
    for family in all_families():
        for drop in family.drops(seed, roster, able):
            export: Export = make_export(formats[drop.device], drop, roster)
            book[export.path] = export
    _mark_repeats(book)
    faults: list[Fault] = []
    for family in all_families():
        for plan in family.FAULTS:
            planted = plan.act(book, book[plan.path], roster)
            faults += [replace(fault, modes=plan.modes) for fault in planted]
    return book, faults + marked_trials(book)


def _write(book: Book, faults: list[Fault], out: Path, truth: Path) -> None:
    """The exports below `out`, the truth in `truth`."""
    for path, export in book.items():
        target = out / path
        target.parent.mkdir(parents=True, exist_ok=True)
        target.write_bytes(to_bytes(export))
    write_truth(book, faults, truth)


def build(seed: int, out: Path, truth: Path, roster: Roster | None = None) -> None:
    """Writes the exports and their README below `out`, and the truth (four CSV files) into `truth`.

    The same seed gives the same bytes; another seed gives other values in the same files and lines.
    """
    book, faults = make_book(seed, roster or read_roster())
    _write(book, faults, out, truth)
    shows = {device: text for family in all_families() for device, text in family.SHOWS.items()}
    (out / "README.md").write_bytes(readme_text(seed, book, faults, shows).encode("utf-8"))


def scramble(seed: int, out: Path, truth: Path, layouts: Path, roster: Roster | None = None) -> None:
    """Writes the same trials through changed formats, and into `layouts` the layout file of each of them."""
    book, faults = make_book(seed, roster or read_roster(), changed=True)
    _write(book, faults, out, truth)
    layouts.mkdir(parents=True, exist_ok=True)
    for spec in specs(changed=True).values():
        (layouts / f"{spec.layout}.toml").write_bytes(toml_text(layout_of(spec)).encode("utf-8"))

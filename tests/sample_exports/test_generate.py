"""The generator: same seed, same bytes; layouts and README say what it writes."""

import io
import tomllib
from collections import defaultdict
from pathlib import Path

import pytest
from python_calamine import CalamineWorkbook

from sample_exports.generator.build import build, device_folders, specs
from sample_exports.generator.layout import layout_of
from sample_exports.generator.people import Roster, read_roster
from sample_exports.generator.spec import Spec
from schemas.codes import CODES

CODEC = {"utf-16": "utf-16", "utf-8": "utf-8-sig"}


def _lines(spec: Spec, content: bytes) -> list[str]:
    """The physical lines of an export as text; a workbook's rows joined by tabs."""
    if spec.workbook:
        rows = CalamineWorkbook.from_filelike(io.BytesIO(content)).get_sheet_by_index(0).to_python()
        return ["\t".join(str(cell) for cell in row) for row in rows]
    text = content.decode(CODEC.get(spec.encoding, spec.encoding), errors="replace")
    return text.removesuffix(spec.newline).split(spec.newline)


def test_same_seed_gives_the_committed_bytes(made, committed):
    kept = {
        path.relative_to(committed).as_posix(): path.read_bytes()
        for folder in device_folders()
        for path in (committed / folder).rglob("*")
    }
    kept["README.md"] = (committed / "README.md").read_bytes()
    assert made.files() == kept


def test_another_seed_gives_other_values_in_the_same_files_and_lines(made, other):
    assert made.files().keys() == other.files().keys()
    data = [path for path in made.files() if path != "README.md"]
    assert len(data) >= 30
    assert all(made.files()[path] != other.files()[path] for path in data)
    assert made.table("lines.csv") == other.table("lines.csv")


def test_the_size_of_the_set(made):
    rows = made.table("measurements.csv")
    assert len({row["athlete_id"] for row in rows if row["athlete_id"]}) >= 28
    days = sorted({row["local_date"] for row in rows})
    assert "2025-09-01" <= days[0] <= days[-1] <= "2026-01-31"
    assert len({(row["local_date"][:7], int(row["local_date"][8:]) // 8) for row in rows}) >= 12
    told = {(row["file"], row["line"]) for row in rows if row["sample_ms"]}
    data = [line for line in made.table("lines.csv") if line["kind"] == "data"]
    samples = sum((line["file"], line["line"]) in told for line in data)
    assert 15_000 <= samples <= 60_000
    assert 3000 <= len(data) - samples <= 18_000


@pytest.mark.parametrize("spec", specs().values(), ids=lambda spec: spec.layout)
def test_the_demo_layout_says_what_the_device_writes(spec, made):
    text = (made.layouts / f"{spec.layout}.toml").read_text(encoding="utf-8")
    assert tomllib.loads(text) == layout_of(spec)


@pytest.mark.parametrize("spec", specs(changed=True).values(), ids=lambda spec: spec.layout)
def test_a_changed_layout_keeps_no_column_name_order_or_delimiter(spec, changed):
    text = (changed.layouts / f"{spec.layout}.toml").read_text(encoding="utf-8")
    assert tomllib.loads(text) == layout_of(spec)
    before = specs()[spec.device]
    old, new = ([column.header for column in one.columns] for one in (before, spec))
    assert not set(old) & set(new)
    assert (spec.delimiter, spec.encoding, spec.decimal) != (
        before.delimiter,
        before.encoding,
        before.decimal,
    ) or spec.workbook


def test_no_layout_but_its_own_claims_a_header(made, changed):
    both = {spec.layout: spec for spec in [*specs().values(), *specs(changed=True).values()]}
    for spec in both.values():
        headers = {column.header for column in spec.columns}
        assert [name for name, one in both.items() if set(one.match) <= headers] == [spec.layout]


@pytest.mark.parametrize("which", ["made", "changed"])
def test_every_planted_fault_stands_where_the_truth_says(which, request):
    """At file and line, with the text that is written there."""
    set_, formats = request.getfixturevalue(which), specs(changed=which == "changed")
    fates = {(line["file"], line["line"]): line for line in set_.table("lines.csv")}
    for fault in set_.table("faults.csv"):
        spec = formats[fault["file"].split("/")[0]]
        lines = _lines(spec, (set_.out / fault["file"]).read_bytes())
        found = lines[int(fault["line"]) - 1] if fault["line"] else "\n".join(lines)
        assert fault["written"] in found
        if fault["line"]:
            assert fates[fault["file"], fault["line"]]["kind"] in (
                "data", "blank", "comment", "repeated_header", "trailer",
            )  # fmt: skip
        assert not fault["code"] or fault["code"] == "no_values" or fault["code"] in CODES


def test_the_readme_tells_every_fault(made):
    page = (made.out / "README.md").read_text(encoding="utf-8")
    assert page.startswith("<!-- generated, edit ")
    told = defaultdict(set)
    for row in page.splitlines():
        cells = [cell.strip(" `") for cell in row.strip("|").split("|")]
        if len(cells) == 6 and "/" in cells[2]:
            told[cells[2], cells[4]] |= set(cells[3].split(", "))
    faults = made.table("faults.csv")
    assert len({fault["code"] for fault in faults}) >= 8
    for fault in faults:
        assert (fault["line"] or "all") in told[fault["file"], fault["code"]]


def test_the_line_count_is_that_of_the_file(made):
    counted = defaultdict(int)
    for line in made.table("lines.csv"):
        counted[line["file"]] += 1
    for path, count in counted.items():
        spec = specs()[path.split("/")[0]]
        assert len(_lines(spec, (made.out / path).read_bytes())) == count


def test_a_smaller_roster_leaves_the_others_as_they_are(made, tmp_path: Path):
    """Every athlete has a stream of numbers of his or her own."""
    whole = read_roster()
    build(7, tmp_path / "out", tmp_path / "truth", Roster(whole.athletes[:-1], whole.aliases))
    gone = whole.athletes[-1].name
    before = (made.out / "mat-1" / "2025-09-08_jumps.csv").read_text(encoding="utf-8").splitlines()
    after = (tmp_path / "out" / "mat-1" / "2025-09-08_jumps.csv").read_text(encoding="utf-8").splitlines()
    assert after == [line for line in before if gone not in line]
    assert len(after) < len(before)

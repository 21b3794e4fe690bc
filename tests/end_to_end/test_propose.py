"""From an unknown export to stored rows: propose, save, check, and look how it would be stored."""

from __future__ import annotations

import json
import shutil
import tomllib
from pathlib import Path

import pytest

from pipeline.intake.propose.propose import propose
from tests.end_to_end.conftest import Made
from tests.end_to_end.runs import DEMO_CONFIG, ROOT, done, facility, here, process
from tests.intake.propose.disguise import roles

EXPORTS = ROOT / "sample_exports"

# Exports in which nothing essential is open: what is proposed reads as many lines as the demo's own layout.
SURE = [
    "calipers-2/folds_2025-09-15.csv",
    "gates-1/2025-09-16_corridas.csv",
    "mat-1/2025-09-08_jumps.csv",
    "mat-2/vuelos_2025-09-24.csv",
    "neck-1/2025-09-17_pescoco.csv",
    "neck-2/neck_2025-09-22.csv",
    "pull-1/run_20250919_173317.csv",
    "rack-1/2025-09-08_lifts.csv",
    "rack-2/history_2025-10-03.csv",
    "scales-2/readings_2025-10-31.xlsx",
    "sled-1/2025-09-24_runs.csv",
    "tests-1/results_2025-09-19.csv",
]


@pytest.fixture(scope="module")
def halls(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, Path]:
    """The demo's facility with its layouts, and without any."""
    folder = tmp_path_factory.mktemp("halls")
    known = facility(folder / "known", EXPORTS)
    unknown = folder / "unknown"
    shutil.copytree(known, unknown)
    for layout in (unknown / "config" / "layouts").iterdir():
        layout.unlink()
    return known, unknown


@pytest.mark.parametrize("name", SURE)
def test_a_proposed_layout_reads_what_the_right_one_reads(halls: tuple[Path, Path], name: str) -> None:
    known, unknown = halls
    told = done("propose", unknown / "inbox" / name, "--facility", unknown, "--json").report
    assert told["kind"] == "layout" and told["loadable"]
    saved = unknown / str(told["save_as"])
    saved.write_text(str(told["layout"]), encoding="utf-8")
    assert here("check", unknown).status == 0
    counted = ("lines", "loaded", "skipped")
    wanted = done("intake", known, "--dry-run", known / "inbox" / name, "--json").report
    got = done("intake", unknown, "--dry-run", unknown / "inbox" / name, "--json").report
    saved.unlink()
    assert got["layout"] == saved.stem
    assert {k: got[k] for k in counted} == {k: wanted[k] for k in counted}
    assert got["unmapped"] == []


def test_the_line_of_the_readme(tmp_path: Path) -> None:
    """Redirected into a layout's file, a proposal has that file's name; the summary goes to stderr."""
    shutil.copytree(DEMO_CONFIG, tmp_path / "hall" / "config")
    target = tmp_path / "hall" / "config" / "layouts" / "my-mat.toml"
    export = EXPORTS / "mat-1" / "2025-09-08_jumps.csv"
    for layout in target.parent.glob("mat-1*"):
        layout.unlink()
    with target.open("w", encoding="utf-8") as out:
        ended = process("propose", export, "--facility", tmp_path / "hall", out=out)
    assert ended.status == 0 and "DOUBTFUL" in ended.err
    assert 'layout = "my-mat"' in target.read_text(encoding="utf-8")
    assert done("check", tmp_path / "hall").status == 0
    shown = done("intake", tmp_path / "hall", "--dry-run", export, "--json").report
    assert shown["layout"] == "my-mat" and shown["loaded"] == shown["lines"] > 100


def test_a_layout_in_force_is_named_and_never_overwritten(halls: tuple[Path, Path]) -> None:
    _, unknown = halls
    name = "sled-1/2025-09-24_runs.csv"
    first = done("propose", unknown / "inbox" / name, "--facility", unknown, "--json").report
    saved = unknown / str(first["save_as"])
    saved.write_text(str(first["layout"]), encoding="utf-8")
    again = done("propose", unknown / "inbox" / name, "--facility", unknown, "--json").report
    saved.unlink()
    assert again["save_as"] == f"config/layouts/{saved.stem}-2.toml"
    assert f"Its header row fits already: {saved.stem}." in str(again["layout"])


def test_the_question_stays_until_it_is_answered(halls: tuple[Path, Path]) -> None:
    _, unknown = halls
    export = unknown / "inbox" / "scales-1" / "weigh-in_2025-09-08.csv"
    told = done("propose", export, "--facility", unknown, "--json").report
    assert not told["loadable"]
    saved = unknown / str(told["save_as"])
    saved.write_text(str(told["layout"]), encoding="utf-8")
    asked = here("check", unknown)
    assert asked.status == 2 and "performed_at" in asked.err
    right = 'format = "%m/%d/%Y"'
    saved.write_text(str(told["layout"]).replace(f"# {right}", right), encoding="utf-8")
    shown = done("intake", unknown, "--dry-run", export, "--json").report
    saved.unlink()
    assert (shown["loaded"], shown["skipped"]) == (27, 1)


def test_who_is_on_the_roster_is_not_proposed_again(halls: tuple[Path, Path], tmp_path: Path) -> None:
    known, _ = halls
    team = tmp_path / "team.csv"
    team.write_text(
        "Name;Geburtsdatum;Geschlecht\nSalvaterra, Duarte;21.06.2007;m\nNeu, Ida;03.04.2008;w\n",
        encoding="utf-8",
    )
    ended = done("propose", team, "--facility", known)
    rows = [line for line in ended.out.splitlines() if not line.startswith("#")]
    assert rows == ["athlete_id,name,birth_date,sex,aliases", "ineu,Ida Neu,2008-04-03,female,"]
    assert "on the roster already, as a01" in ended.out


def test_the_figure_of_the_changed_formats_is_published(made_changed: Made) -> None:
    """The generator's other formats: names by another hand, many units left out. First files only."""
    columns = right = 0
    for layout in sorted(made_changed.layouts.glob("*.toml")):
        truth = tomllib.loads(layout.read_text(encoding="utf-8"))
        export = sorted((made_changed.truth.parent / "out" / truth["match"]["folder"]).iterdir())[0]
        wanted, got = roles(truth), roles(tomllib.loads(propose(export, None).text))
        columns += len(wanted)
        right += sum(got.get(name) == role for name, role in wanted.items())
    assert right >= 0.85 * columns
    text = " ".join((ROOT / "DEVELOPERS.md").read_text(encoding="utf-8").split())
    assert f"{right} of the {columns} columns of the generator's changed formats" in text


def test_wrong_use_and_what_cannot_be_proposed(tmp_path: Path) -> None:
    absent = here("propose", tmp_path / "none.csv")
    assert (absent.status, absent.out) == (2, "") and "none.csv" in absent.err
    empty = tmp_path / "empty.csv"
    empty.write_bytes(b"")
    nothing = process("propose", empty, "--json")
    assert (nothing.status, nothing.out) == (1, "") and "empty" in nothing.err
    nowhere = here("propose", empty, "--facility", tmp_path)
    assert nowhere.status == 2 and "facility" in nowhere.err


def test_json_is_one_object(tmp_path: Path) -> None:
    told = json.loads(process("propose", EXPORTS / SURE[0], "--json", cwd=tmp_path).out)
    assert {choice["key"] for choice in told["choices"]} >= {"family", "device", "file.delimiter"}

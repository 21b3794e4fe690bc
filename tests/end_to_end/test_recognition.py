"""Every sample file against every layout: one claims it, by its folder and by its header row alone."""

from __future__ import annotations

import shutil
from pathlib import Path

import pytest

from pipeline.facility.folder import load_facility
from pipeline.intake.layouts import Layout
from pipeline.intake.read import Export
from pipeline.intake.recognise import Claimed, Heads, header_row, recognise
from sample_exports.generator.build import device_folders
from tests.end_to_end.runs import ROOT, facility

SAMPLES = ROOT / "sample_exports"
FILES = [path for device in device_folders() for path in sorted((SAMPLES / device).iterdir())]
HELD_WHOLE = "scales-1/weigh-in_2025-12-15.csv"


@pytest.fixture(scope="module")
def layouts(tmp_path_factory: pytest.TempPathFactory) -> dict[str, Layout]:
    """The demo's layouts and those of the hand-written sheets, as `demo` puts them in place."""
    folder = facility(tmp_path_factory.mktemp("layouts") / "hall", SAMPLES / "generator")
    shutil.copytree(ROOT / "config" / "layouts", folder / "config" / "layouts", dirs_exist_ok=True)
    found = load_facility(folder)
    places = (ROOT / "config" / "demo" / "layouts", ROOT / "config" / "layouts")
    written = sorted(path.stem for place in places for path in place.glob("*.toml"))
    assert found.faulty_layouts == {} and sorted(found.layouts) == written
    assert len(written) > 20
    return found.layouts


def by_header_alone(layout: Layout) -> Layout:
    match = layout.match.model_copy(update={"folder": None, "filename": None})
    return layout.model_copy(update={"match": match})


@pytest.mark.parametrize("path", FILES, ids=lambda path: path.relative_to(SAMPLES).as_posix())
def test_one_layout_claims_a_sample_and_it_is_its_devices(path: Path, layouts: dict[str, Layout]):
    place = path.relative_to(SAMPLES).as_posix()
    export = Export(path.name, path.read_bytes())
    bare = {name: by_header_alone(layout) for name, layout in layouts.items()}
    for known, at in ((layouts, place), (bare, "elsewhere/" + path.name)):
        claimed = recognise(at, export, known, {})
        heads = Heads(export)
        all_claims = [
            name for name, one in bare.items() if header_row(heads.of(one), one.header_names) is not None
        ]
        if place == HELD_WHOLE:
            assert not isinstance(claimed, Claimed) and claimed.code == "no_layout"
            assert all_claims == []
        else:
            assert isinstance(claimed, Claimed) and claimed.layout.device == path.parent.name
            assert all_claims == [claimed.layout.layout]


def test_every_layout_of_a_device_claims_some_sample(layouts: dict[str, Layout]):
    devices = {layout.device for name, layout in layouts.items() if not name.startswith("sheet-")}
    assert devices == {path.parent.name for path in FILES}

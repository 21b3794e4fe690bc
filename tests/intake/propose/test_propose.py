"""Whole proposals: what is chosen, what is doubtful, what is left to a person."""

from __future__ import annotations

import tomllib
from pathlib import Path
from typing import Any

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from pipeline.intake.propose.choices import CannotPropose
from pipeline.intake.propose.propose import Proposal, propose
from tests.intake.propose.disguise import EXPORTS


class Desk:
    """A folder with unknown files."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder

    def propose(self, text: str, name: str = "x.csv") -> tuple[Proposal, dict[str, Any]]:
        file = self.folder / name
        file.write_text(text, encoding="utf-8")
        proposal = propose(file, None)
        return proposal, tomllib.loads(proposal.text)


@pytest.fixture
def desk(tmp_path: Path) -> Desk:
    return Desk(tmp_path)


def standing(proposal: Proposal, key: str) -> set[str]:
    return {choice.standing for choice in proposal.choices if choice.key == key}


JUMPS = "Name,Day,Jump,Flight\nAna Reis,{a},CMJ,{x}\nRui Melo,{b},SJ,{y}\n"


def test_what_is_sure_loads_and_reads_the_file(desk: Desk) -> None:
    proposal, layout = desk.propose(JUMPS.format(a="2025-05-01", b="2025-05-02", x=0.512, y=0.49))
    assert proposal.trial is not None
    assert (proposal.trial.lacks, proposal.trial.read, proposal.trial.lines) == ((), 2, 2)
    assert layout["family"] == "contact_mat"
    assert layout["columns"]["test"]["map"] == {"CMJ": "countermovement_jump", "SJ": "squat_jump"}


def test_an_order_of_day_and_month_is_never_guessed(desk: Desk) -> None:
    proposal, layout = desk.propose(JUMPS.format(a="05/06/2025", b="07/06/2025", x=0.512, y=0.49))
    assert "format" not in layout["columns"]["performed_at"]
    assert standing(proposal, "columns.performed_at.format") == {"open"}
    assert '# format = "%d/%m/%Y"\n# format = "%m/%d/%Y"' in proposal.text
    assert proposal.trial is not None and "format" in proposal.trial.lacks[0]
    # Taking one of the two lines in is all that there is to do.
    decided = proposal.text.replace('# format = "%m/%d/%Y"', 'format = "%m/%d/%Y"')
    assert tomllib.loads(decided)["columns"]["performed_at"]["format"] == "%m/%d/%Y"


def test_a_proven_order_says_its_proof(desk: Desk) -> None:
    proposal, layout = desk.propose(JUMPS.format(a="05/06/2025", b="17/06/2025", x=0.512, y=0.49))
    assert layout["columns"]["performed_at"]["format"] == "%d/%m/%Y"
    assert "a day of 17 in line 3" in proposal.text


@pytest.mark.parametrize(
    ("name", "cells", "unit", "how"),
    [
        ("Flight", (0.512, 0.49), "s", "doubtful"),
        ("Flight", (512, 490), "ms", "doubtful"),
        ("Flight (ms)", (512, 490), "ms", "sure"),
        ("Flight_s", (0.512, 0.49), "s", "sure"),
    ],
)
def test_a_unit_by_size_alone_is_doubtful(
    desk: Desk, name: str, cells: tuple[float, float], unit: str, how: str
) -> None:
    text = JUMPS.format(a="2025-05-01", b="2025-05-02", x=cells[0], y=cells[1]).replace("Flight", name)
    proposal, layout = desk.propose(text)
    assert layout["columns"]["flight_time_s"]["unit"] == unit
    assert standing(proposal, "columns.flight_time_s.unit") == {how}


def test_a_word_that_nobody_knows_is_asked_about(desk: Desk) -> None:
    text = JUMPS.format(a="2025-05-01", b="2025-05-02", x=0.512, y=0.49).replace("SJ", "Quux")
    proposal, layout = desk.propose(text)
    assert layout["columns"]["test"]["map"] == {"CMJ": "countermovement_jump"}
    assert '# Quux = "..."' in proposal.text and "open" in standing(proposal, "columns.test.map")
    assert proposal.trial is not None and proposal.trial.read == 1  # the word's line is held, as it should be


WIDE = {
    "folds": (
        "Name;Datum;Trizeps 1;Trizeps 2;Wade 1;Wade 2\nAna Reis;13.05.2025;10,2;10,4;9,1;9,0\n",
        "thickness_mm",
        [
            ("Trizeps 1", {"site": "triceps", "reading": 1}),
            ("Trizeps 2", {"site": "triceps", "reading": 2}),
            ("Wade 1", {"site": "calf", "reading": 1}),
            ("Wade 2", {"site": "calf", "reading": 2}),
        ],
    ),
    "necks": (
        "Name,Date,Flexion 1 (N),Flexion 2 (N),Extension 1 (N)\nAna Reis,2025-05-13,120,125,180\n",
        "peak_force_n",
        [
            ("Flexion 1 (N)", {"direction": "flexion", "trial": 1}),
            ("Flexion 2 (N)", {"direction": "flexion", "trial": 2}),
            ("Extension 1 (N)", {"direction": "extension", "trial": 1}),
        ],
    ),
    "body": (
        "Name,Date,Height (cm),Weight (kg)\nAna Reis,2025-05-13,171.2,63.4\nRui Melo,2025-05-13,181.2,73.4\n",
        "value",
        [
            ("Height (cm)", {"quantity": "stature", "unit": "cm"}),
            ("Weight (kg)", {"quantity": "mass", "unit": "kg"}),
        ],
    ),
    "gates": (
        "Naam;Datum;Poging;T5;T10;T20\nJo Wit;13-05-2025;1;1,05;1,80;3,10\nPi Vos;13-05-2025;1;1,1;1,9;3,2\n",
        "split_time_s",
        [("T5", {"distance_m": 5}), ("T10", {"distance_m": 10}), ("T20", {"distance_m": 20})],
    ),
    "gates by number": (
        "athlete,date,run,5,10,20\nAna Reis,2025-05-13,1,1.05,1.80,3.10\nRui Melo,2025-05-13,1,1.0,1.7,3.0\n",
        "split_time_s",
        [("5", {"distance_m": 5}), ("10", {"distance_m": 10}), ("20", {"distance_m": 20})],
    ),
    "yards": (
        "athlete,date,10 yd (s),40 yd (s)\nAna Reis,2025-05-13,1.95,5.60\nRui Melo,2025-05-13,1.7,5.0\n",
        "split_time_s",
        [("10 yd (s)", {"distance_m": 9.144}), ("40 yd (s)", {"distance_m": 36.576})],
    ),
}


@pytest.mark.parametrize("kind", WIDE)
def test_wide_columns_become_rows(desk: Desk, kind: str) -> None:
    text, target, wanted = WIDE[kind]
    proposal, layout = desk.propose(text)
    entries = [dict(entry) for entry in layout["columns"][target]["unpivot"]]
    assert [(entry.pop("from"), entry) for entry in entries] == wanted
    assert proposal.trial is not None and proposal.trial.lacks == ()


def test_first_and_last_name_are_one_athlete(desk: Desk) -> None:
    text = "Last Name,First Name,Date,Jump,Flight (ms)\nReis,Ana,2025-05-01,CMJ,512\n"
    assert desk.propose(text)[1]["columns"]["athlete"]["from"] == ["First Name", "Last Name"]


def test_what_no_field_takes_is_ignored_by_name(desk: Desk) -> None:
    text = JUMPS.format(a="2025-05-01", b="2025-05-02", x=0.512, y=0.49)
    lines = text.splitlines()
    text = "\n".join([f"{lines[0]},Battery (%)", f"{lines[1]},76", f"{lines[2]},75"]) + "\n"
    assert desk.propose(text)[1]["ignore"] == ["Battery (%)"]


def test_a_name_that_occurs_twice_is_said(desk: Desk) -> None:
    text = "Name,Day,Jump,Flight,Note,Note\nAna Reis,2025-05-01,CMJ,0.5,,\nRui Melo,2025-05-01,CMJ,0.51,,\n"
    proposal, layout = desk.propose(text)
    assert layout["ignore"] == ["Note"] and standing(proposal, "ignore") == {"doubtful"}


def test_nothing_in_a_file_leaves_its_comment_or_its_quotes(desk: Desk) -> None:
    """Names and cells with TOML's own marks are text, wherever they are shown."""
    evil = 'x"\\ny = 1 # [z]'
    name = evil.replace('"', '""')
    text = (
        f'Name,Day,Jump,Flight,"{name}"\nAna Reis,2025-05-01,"C\x07 ]""",0.5,\x00\nRui,2025-05-02,CMJ,0.5,\n'
    )
    _, layout = desk.propose(text, "odd # name.csv")
    assert layout["ignore"] == [evil]
    assert set(layout["columns"]) >= {"athlete", "performed_at", "test", "flight_time_s"}


def test_no_device_is_made_up_silently(desk: Desk) -> None:
    proposal, _ = desk.propose(JUMPS.format(a="2025-05-01", b="2025-05-02", x=0.512, y=0.49))
    assert standing(proposal, "device") == {"doubtful"} and "[devices.contact-mat-1]" in proposal.text


def test_json_has_every_choice_with_its_reason(desk: Desk) -> None:
    proposal, _ = desk.propose(JUMPS.format(a="05/06/2025", b="07/06/2025", x=0.512, y=0.49))
    told = proposal.as_dict()
    assert (told["kind"], told["loadable"], told["layout"]) == ("layout", False, proposal.text)
    choices = told["choices"]
    assert isinstance(choices, list)
    assert all(choice["reason"] and choice["doubtful"] >= choice["open"] for choice in choices)
    asked = [choice for choice in choices if choice["open"]]
    assert [choice["key"] for choice in asked] == ["columns.performed_at.format"] and asked[0][
        "choice"
    ] is None


SAMPLES = [
    (EXPORTS / name).read_bytes()
    for name in ("gates-1/2025-09-16_corridas.csv", "rack-1/2025-09-08_lifts.csv")
]


@settings(max_examples=40, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(st.sampled_from(SAMPLES), st.data())
def test_a_damaged_file_gets_a_proposal_or_a_clear_word(
    tmp_path: Path, sample: bytes, data: st.DataObject
) -> None:
    cut = data.draw(st.integers(0, len(sample)))
    at = data.draw(st.integers(0, cut))
    damage = data.draw(st.one_of(st.binary(max_size=12), st.text('",;\t\r\n#', max_size=8).map(str.encode)))
    file = tmp_path / "x.csv"
    file.write_bytes(sample[:at] + damage + sample[at:cut])
    try:
        proposal = propose(file, None)
    except CannotPropose:
        return
    if proposal.kind == "layout":
        assert tomllib.loads(proposal.text)["layout"]


def test_a_machines_setting_is_no_sleds_mass(tmp_path: Path) -> None:
    """Also where a unit stands beside it, and a force is measured."""
    samples = "".join(f"{n * 10};{n * 0.05:.3f};{40 + n % 3}\n" for n in range(60))
    file = tmp_path / "run_1.txt"
    file.write_text(
        f"Athlete: Ida Berg\nDate: 2026-01-20 16:04:00\nSetting (kg): 6\n\nt [ms];pos [m];F [N]\n{samples}",
        encoding="utf-8",
    )
    text = propose(file, None).text
    assert "[columns.resistance_setting]" in text and "sled_mass_kg" not in text

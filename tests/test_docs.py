"""The documents say what the code does."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

from pipeline.cli import build_parser
from pipeline.steps import STEPS
from schemas.families import FAMILIES
from schemas.tables import TRIAL_TABLES

ROOT = Path(__file__).resolve().parents[1]
README = (ROOT / "README.md").read_text(encoding="utf-8")
DEVELOPERS = (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8")


def commands() -> list[str]:
    parser = build_parser()
    return list(next(a for a in parser._actions if a.dest == "command").choices)


def steps_table() -> str:
    def listed(names: tuple[str, ...]) -> str:
        others = [f"`{n}`" for n in names if n not in TRIAL_TABLES]
        trials = ["the trial tables"] if set(TRIAL_TABLES) <= set(names) else []
        return "what people open" if len(others) > 12 else ", ".join(trials + others) or "the folder"

    rows = [f"| `{s.name}` | {s.says} | {listed(s.reads)} | {listed(s.writes)} |" for s in STEPS]
    return "\n".join(["| step | does | reads | writes |", "|---|---|---|---|", *rows])


@pytest.mark.parametrize("command", commands())
def test_readme_explains_every_command(command: str) -> None:
    assert f"| `yardmark {command}" in README


def test_developers_show_the_list_of_steps() -> None:
    shown = re.search(r"<!-- steps:.*?-->\n(.*?)\n?<!-- /steps -->", DEVELOPERS, re.DOTALL)
    assert shown is not None
    assert shown[1] == steps_table(), f"put this between the marks:\n{steps_table()}"


@pytest.mark.parametrize("table", TRIAL_TABLES)
def test_readme_names_every_trial_table(table: str) -> None:
    assert f"`{table}`" in README


@pytest.mark.parametrize("family", [name for name, family in FAMILIES.items() if family.trace is None])
def test_every_family_has_its_hand_written_sheet(family: str) -> None:
    assert (ROOT / "config" / "layouts" / f"sheet-{family}.toml").is_file()


def test_no_file_names_this_machine_or_a_registry() -> None:
    words = ("pypi" + ".org", "python" + "hosted", "registry." + "npmjs", "/" + "work/", "/" + "root/")
    suffixes = {".py", ".md", ".toml", ".csv", ".txt", ".cfg", ""}
    for path in ROOT.rglob("*"):
        parts = path.relative_to(ROOT).parts
        if (
            parts[0] in {".git", ".hypothesis", ".venv", "demo", "build", "dist"}
            or "__pycache__" in parts
            or "_cache" in parts[0]
        ):
            continue
        if path.is_file() and path.suffix in suffixes:
            text = path.read_bytes().decode("utf-8", "replace")
            assert not [word for word in words if word in text], path


def test_the_checks_against_the_outside_are_there() -> None:
    listed = (ROOT / "tests" / "reference" / "README.md").read_text(encoding="utf-8")
    named = re.findall(r"`(tests/\S+\.py)(?:::(\w+))?` \|$", listed, re.MULTILINE)
    assert len(named) == listed.count("\n|") - 2
    for path, test in named:
        assert f"def {test}" in (ROOT / path).read_text(encoding="utf-8"), (path, test)

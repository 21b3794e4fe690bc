"""Every failure mode that data can show has a treatment and a test, and the page says which."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import pytest

from tests.failure_modes import MODES, PAGE, faults_of, marked, page, planted


def test_the_page_is_up_to_date() -> None:
    tests, shown = marked(), planted()
    assert faults_of(MODES, tests, shown) == []
    assert PAGE.read_text(encoding="utf-8") == page(MODES, tests, shown), "run python -m tests.failure_modes"


def test_what_is_missing_is_said() -> None:
    modes = {number: mode for number, mode in MODES.items() if number != 7}
    modes[1] = replace(modes[1], codes=("unknown_nmae",))
    modes[2] = replace(modes[2], done="")
    tests = {number: ["t"] for number in [*modes, 99] if number != 3}
    assert faults_of(modes, tests, {}) == [
        "mode 7 is missing",
        "a test is marked with mode 99, which there is not",
        "mode 1 names unknown_nmae, which is no code",
        "mode 2 needs either a treatment or why nothing can show it",
        "mode 3 has no test: mark one with @pytest.mark.mode(3)",
    ]


def test_marks_are_found_without_running_anything(tmp_path: Path) -> None:
    text = "import pytest\n\n\n@pytest.mark.mode(4, 30)\ndef test_one():\n    raise SystemExit\n"
    (tmp_path / "test_it.py").write_text(text)
    assert marked(tmp_path) == {4: ["test_it.py::test_one"], 30: ["test_it.py::test_one"]}
    (tmp_path / "test_it.py").write_text(text.replace("4, 30", "FOUR"))
    with pytest.raises(ValueError, match="takes the numbers of modes"):
        marked(tmp_path)

"""Files put in place in one step."""

from __future__ import annotations

from pathlib import Path

import pytest

from pipeline.publish.files import put


def _text(text: str, path: Path) -> None:
    path.write_text(text, encoding="utf-8")


def test_a_failed_write_leaves_the_old_file_and_nothing_else(tmp_path: Path) -> None:
    path = tmp_path / "a.csv"
    put(path, lambda temporary: _text("old", temporary))

    def fail(temporary: Path) -> None:
        _text("half", temporary)
        raise OSError("no space left")

    with pytest.raises(OSError, match="no space left"):
        put(path, fail)
    assert path.read_text(encoding="utf-8") == "old"
    assert list(tmp_path.iterdir()) == [path]


def test_a_file_that_is_held_open_is_kept_and_the_new_one_stands_beside_it(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    path = tmp_path / "norms.xlsx"
    put(path, lambda temporary: _text("old", temporary))
    replace = Path.replace

    def refuse(source: Path, target: Path) -> Path:
        if target == path:
            raise PermissionError(13, "open in another program", str(target))
        return replace(source, target)

    with monkeypatch.context() as patched:
        patched.setattr(Path, "replace", refuse)
        beside = put(path, lambda temporary: _text("new", temporary))
    assert beside == tmp_path / "norms.1.xlsx"
    assert (path.read_text(encoding="utf-8"), beside.read_text(encoding="utf-8")) == ("old", "new")
    assert put(path, lambda temporary: _text("newest", temporary)) == path
    assert list(tmp_path.iterdir()) == [path]

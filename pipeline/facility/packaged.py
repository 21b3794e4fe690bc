"""Where the data that ships with yardmark is: in a checkout, or inside the installed package."""

from __future__ import annotations

from pathlib import Path

_PACKAGE = Path(__file__).resolve().parents[1]


def data_folder(name: str) -> Path:
    """The folder `config` or `sample_exports` as shipped; FileNotFoundError where it was left out.

    In a checkout, known by its pyproject.toml, a copy that building a wheel left behind does not count.
    """
    packed, checkout = _PACKAGE / "_data" / name, _PACKAGE.parent
    is_installed = packed.is_dir() and not (checkout / "pyproject.toml").is_file()
    folder = packed if is_installed else checkout / name
    if not folder.is_dir():
        raise FileNotFoundError(f"yardmark's own folder {name!r} is missing ({folder}); install it again")
    return folder

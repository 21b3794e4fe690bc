"""A new facility folder: the commented templates and the folders that the pipeline fills."""

from __future__ import annotations

import shutil
from pathlib import Path

from pipeline.facility.packaged import data_folder
from pipeline.facility.problems import ConfigError, Problem
from pipeline.facility.settings import SETTINGS_FILE
from pipeline.rights import owner_only, private_folder

NAME_AS_MADE = "My facility"
"""What the template of facility.toml calls a facility."""
FOLDERS = ("inbox", "archive", "held", "warehouse", "published")
_PRIVATE_FOLDERS = ("archive", "held", "warehouse")


def init_facility(folder: Path) -> None:
    """Make a facility folder with commented config; what is there already stays as it is.

    Raises ConfigError where the folder is a facility already.
    """
    if (folder / SETTINGS_FILE).exists():
        said = f"{folder} is a facility already, so nothing was changed"
        advice = f"edit its {SETTINGS_FILE}, or name a new folder"
        raise ConfigError([Problem(SETTINGS_FILE, None, None, f"{said}; {advice}")])
    make_folders(folder)
    templates = data_folder("config")
    for source in _template_files(templates):
        copy = folder / "config" / source.relative_to(templates)
        copy.parent.mkdir(parents=True, exist_ok=True)
        if not copy.exists():
            shutil.copyfile(source, copy)
    own(folder / "config")


def make_folders(folder: Path) -> None:
    """Make the folders that the pipeline fills; those with names in them are for their owner alone."""
    for name in FOLDERS:
        (folder / name).mkdir(parents=True, exist_ok=True)
    for name in _PRIVATE_FOLDERS:
        private_folder(folder / name)


def own(config: Path) -> None:
    """Make the lists of people readable by their owner alone (Windows knows no such rights)."""
    for path in config.glob("*.csv"):
        owner_only(path)


def _template_files(templates: Path) -> list[Path]:
    """The templates: files of config/ and config/layouts/, not the demo's."""
    paths = [*templates.iterdir(), *(templates / "layouts").iterdir()]
    return sorted(path for path in paths if path.is_file())

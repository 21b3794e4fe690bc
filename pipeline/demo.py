"""The demo: the invented academy's config, and its exports in the inbox."""

from __future__ import annotations

import shutil
from datetime import date
from pathlib import Path

from pipeline.facility.folder import load_facility
from pipeline.facility.init import make_folders, own
from pipeline.facility.packaged import data_folder
from pipeline.facility.settings import SETTINGS_FILE

DEMO_DAY = date(2026, 1, 31)
"""The academy's today, the day after its last export: who is in which squad, and what is stale."""


class NotTheDemo(Exception):
    """The folder is a facility of its own."""


def make_demo(folder: Path) -> None:
    """Make the demo facility in a folder, or renew it, and drop the sample exports into its inbox.

    Raises NotTheDemo where the folder is another facility.
    """
    config = data_folder("config") / "demo"
    settings = folder / SETTINGS_FILE
    if settings.exists() and settings.read_bytes() != (config / settings.name).read_bytes():
        raise NotTheDemo(f"{folder} is a facility of its own, not the demo; name another folder")
    make_folders(folder)
    if not settings.exists():
        shutil.copytree(config, folder / "config", dirs_exist_ok=True)
        for layout in (data_folder("config") / "layouts").glob("*.toml"):
            shutil.copyfile(layout, folder / "config" / "layouts" / layout.name)
        own(folder / "config")
    exports = data_folder("sample_exports")
    for device in load_facility(folder).settings.devices:
        if (exports / device).is_dir():
            shutil.copytree(exports / device, folder / "inbox" / device, dirs_exist_ok=True)

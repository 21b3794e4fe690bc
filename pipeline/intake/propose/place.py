"""Where an unknown export belongs: its device, its folder below inbox/, a name for its layout."""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path

from pipeline.facility.folder import Facility
from pipeline.intake.propose.words import plain


@dataclass(frozen=True)
class Place:
    """Where the file lies and what the facility has: its device, its folder, the tests it declares."""

    layout: str
    device: str
    device_reason: str
    device_known: bool
    folder: str | None
    tests: Mapping[str, str]


def device_folder(file: Path, facility: Facility | None) -> tuple[str | None, str | None]:
    """The folder below inbox/ that a file lies in, or its own, if a device has its name; and the family."""
    if facility is None:
        return None, None
    resolved = file.resolve()
    inbox = facility.inbox.resolve()
    folder = resolved.parent.name
    if resolved.is_relative_to(inbox):
        inside = resolved.parent.relative_to(inbox).as_posix()
        folder = inside if inside != "." else ""
    device = facility.settings.devices.get(folder.split("/")[-1]) if folder else None
    if device is not None:
        return folder, device.family
    return (folder or None) if resolved.is_relative_to(inbox) else None, None


def find_place(file: Path, folder: str | None, family: str, facility: Facility | None) -> Place:
    """The device to name, the layout's name, and the tests declared."""
    devices = {} if facility is None else facility.settings.devices
    mine = [
        name for name, device in devices.items() if device.family == family and not name.startswith("sheet-")
    ]
    named = (folder or "").split("/")[-1]
    if named in devices:
        device, reason, known = named, "the folder's name", True
    elif len(mine) == 1:
        device, reason, known = (
            mine[0],
            f"the one device of config/facility.toml of the family {family}",
            True,
        )
    elif mine:
        device, known = mine[0], False
        reason = f"the export does not say which device wrote it; of this family are: {', '.join(mine)}"
    else:
        device, known = f"{family.replace('_', '-')}-1", False
        reason = (
            f'no device of this family is known: add [devices.{device}], family = "{family}" to facility.toml'
        )
    return Place(
        _layout_name(file, device),
        device,
        reason,
        known,
        folder or device,
        {} if facility is None else facility.tests,
    )


def _layout_name(file: Path, device: str) -> str:
    """A name for the layout: the device, and what the file's name has beside dates and numbers."""
    words = [word for word in re.split(r"[^a-z]+", plain(file.stem)) if len(word) > 1]
    return "-".join(dict.fromkeys([device, *words[:2]]))

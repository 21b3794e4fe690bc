"""One module a device family, each with its fields and its `FAMILY`; found by walking this package."""

from __future__ import annotations

import importlib
import pkgutil

from schemas.core import Family


def _walk() -> dict[str, Family]:
    found: dict[str, Family] = {}
    for info in sorted(pkgutil.iter_modules(__path__), key=lambda info: info.name):
        family: Family = importlib.import_module(f"{__name__}.{info.name}").FAMILY
        if family.name in found:
            raise ValueError(f"two modules declare the family {family.name}")
        found[family.name] = family
    return found


FAMILIES: dict[str, Family] = _walk()

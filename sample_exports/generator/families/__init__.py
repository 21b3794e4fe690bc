"""The device families, one module each.

A module has its layouts (SPECS), the same written quite otherwise (CHANGED), what each device shows (SHOWS),
its files (`drops`) and its planted faults (FAULTS). A further family is one more module.
"""

import importlib
import pkgutil
from types import ModuleType


def all_families() -> list[ModuleType]:
    """The modules of this package, by name."""
    names = sorted(found.name for found in pkgutil.iter_modules(__path__))
    return [importlib.import_module(f"{__name__}.{name}") for name in names]

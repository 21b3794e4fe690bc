"""Row rules of each device family, one module a family, found by walking this package.

A module has `FAMILY` and `check(rows) -> (rows, problems)`: it may fill in what follows from the row itself
and name rows that cannot be right, with the columns of `pipeline.intake.columns.PROBLEMS`.
"""

from __future__ import annotations

import importlib
import pkgutil
from collections.abc import Callable

import polars as pl

Check = Callable[[pl.DataFrame], tuple[pl.DataFrame, pl.DataFrame]]


def _walk() -> dict[str, Check]:
    found: dict[str, Check] = {}
    for info in pkgutil.iter_modules(__path__):
        module = importlib.import_module(f"{__name__}.{info.name}")
        if module.FAMILY in found:
            raise ValueError(f"two modules check the family {module.FAMILY}")
        found[module.FAMILY] = module.check
    return found


CHECKS: dict[str, Check] = _walk()

"""Runs every benchmark of this package, or those named: `python -m tests.benchmarks sprint`."""

from __future__ import annotations

import importlib
import pkgutil
import sys

import tests.benchmarks


def main(names: list[str]) -> None:
    """Run the named modules, or all that do not begin with `_`, in the order of their names."""
    found = sorted(info.name for info in pkgutil.iter_modules(tests.benchmarks.__path__))
    for name in names or [name for name in found if not name.startswith("_")]:
        print(f"== {name}")
        importlib.import_module(f"tests.benchmarks.{name}").main()


if __name__ == "__main__":
    main(sys.argv[1:])

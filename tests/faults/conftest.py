"""The server that kills, and the facilities before and after a command that nobody disturbs."""

from __future__ import annotations

import sys
from collections.abc import Iterator

import pytest

from tests.end_to_end.conftest import Shared, shared  # noqa: F401  (a fixture)
from tests.faults.server import Server, serving
from tests.faults.situations import Facilities

if sys.platform == "win32":
    collect_ignore_glob = ["test_*.py"]  # there is no fork, and no SIGKILL


@pytest.fixture(scope="session")
def server() -> Iterator[Server]:
    with serving() as one:
        yield one


@pytest.fixture(scope="session")
def facilities(server: Server, shared: Shared) -> Facilities:  # noqa: F811
    return Facilities(server, shared)

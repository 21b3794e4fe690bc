"""The Prefect server of a facility, a child of `yardmark watch`: python -m pipeline.flows.server PORT."""

from __future__ import annotations

import sys

import uvicorn

from pipeline.flows.parent import end_with_parent
from pipeline.flows.prefect_home import HOST


def main() -> None:
    """Serve until the parent ends."""
    end_with_parent()
    from prefect.server.api.server import create_app

    uvicorn.run(create_app(final=True), host=HOST, port=int(sys.argv[1]), log_level="critical")


if __name__ == "__main__":
    main()

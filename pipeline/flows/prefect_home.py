"""The Prefect server of a facility: where its state lives, and the settings that keep it quiet and local."""

from __future__ import annotations

import os
from pathlib import Path

import pipeline

HOST = "127.0.0.1"


def home(state: Path) -> Path:
    """The folder of the server's database and logs."""
    return state / "prefect"


def environment(state: Path, port: int) -> dict[str, str]:
    """The environment of everything that talks to the server of this facility, on the loopback only."""
    here = str(Path(str(pipeline.__file__)).parents[1])
    return {
        **os.environ,
        # Children run the very yardmark that this process runs, wherever it was found.
        "PYTHONPATH": os.pathsep.join(filter(None, (here, os.environ.get("PYTHONPATH")))),
        "PREFECT_HOME": str(home(state).resolve()),
        "PREFECT_API_URL": f"http://{HOST}:{port}/api",
        # A profile of the person who started it must not send the runs of this facility elsewhere.
        "PREFECT_PROFILES_PATH": str(home(state).resolve() / "profiles.toml"),
        "PREFECT_SERVER_ANALYTICS_ENABLED": "false",
        "DO_NOT_TRACK": "1",
        "PREFECT_LOGGING_LEVEL": "CRITICAL",
        "PREFECT_LOGGING_TO_API_ENABLED": "false",
        "PREFECT_SERVER_LOGGING_LEVEL": "CRITICAL",
        "PREFECT_CLI_PROMPT": "false",
    }

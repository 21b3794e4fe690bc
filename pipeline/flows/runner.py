"""The scheduled flows, served as a child of `yardmark watch`: python -m pipeline.flows.runner FACILITY."""

from __future__ import annotations

import sys
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from prefect import serve
from prefect.client.orchestration import get_client
from prefect.client.schemas.filters import FlowRunFilter
from prefect.client.schemas.objects import StateType
from prefect.schedules import Cron
from prefect.states import Cancelled
from prefect.types.entrypoint import EntrypointType

from pipeline.facility.folder import load_facility
from pipeline.flows.flows import nightly, weekly
from pipeline.flows.parent import end_with_parent
from pipeline.flows.schedule import crons

_PENDING = (StateType.SCHEDULED, StateType.PENDING)


def deployments(folder: Path) -> list[Any]:
    """The nightly and the weekly flow with the schedules of the facility. Raises ConfigError."""
    settings = load_facility(folder).settings
    when = crons(settings.schedule)
    return [
        one.to_deployment(
            name=name,
            schedules=[Cron(when[name], timezone=settings.timezone)],
            parameters={"facility": str(folder.resolve())},
            entrypoint_type=EntrypointType.MODULE_PATH,
        )
        for name, one in (("nightly", nightly), ("weekly", weekly))
    ]


def drop_missed() -> None:
    """Of the runs that were missed while nothing was up, leave the last of each flow: one does the work."""
    wanted = FlowRunFilter.model_validate(
        {
            "state": {"type": {"any_": [kind.value for kind in _PENDING]}},
            "next_scheduled_start_time": {"before_": datetime.now(UTC).isoformat()},
        }
    )
    with get_client(sync_client=True) as client:
        missed = client.read_flow_runs(flow_run_filter=wanted)
        kept = set()
        for run in sorted(missed, key=lambda run: str(run.next_scheduled_start_time), reverse=True):
            if run.deployment_id in kept:
                client.set_flow_run_state(run.id, Cancelled(message="missed; a later run does its work"))
            kept.add(run.deployment_id)


def main() -> None:
    """Serve until the parent ends. One run at a time."""
    end_with_parent()
    drop_missed()
    serve(*deployments(Path(sys.argv[1])), limit=1, pause_on_shutdown=False, print_starting_message=False)


if __name__ == "__main__":
    main()

"""The process that makes joint plans. Run by `daemon.sharing.planning_process`."""

from __future__ import annotations

from typing import TYPE_CHECKING

from adapters.host.worker_process import serve
from daemon.sharing.planning_task import plan_for

if TYPE_CHECKING:
    from collections.abc import Iterator

    from daemon.sharing.planning_task import PlanningTask
    from planners.home.together import HomePlan


def plans_for(task: PlanningTask) -> Iterator[HomePlan | None]:
    """Make the joint plan for a task."""
    yield plan_for(task)


if __name__ == "__main__":
    serve(plans_for)

"""The process that makes joint plans. Run by `daemon.sharing.planning_process`."""

from __future__ import annotations

from time import monotonic
from typing import TYPE_CHECKING, Final

from adapters.host.worker_process import serve
from daemon.sharing.planning_task import plan_for

if TYPE_CHECKING:
    from collections.abc import Iterator

    from daemon.sharing.planning_task import PlanningTask
    from planners.home.together import HomePlan


IMPROVED_SECONDS: Final = 3.0
"""After this, no further round improves a plan: it must not be late."""


def plans_for(task: PlanningTask) -> Iterator[HomePlan | None]:
    """Make the joint plan for a task, and improve it as long as nobody minds waiting."""
    until = monotonic() + IMPROVED_SECONDS
    yield plan_for(task, lambda: monotonic() >= until)


if __name__ == "__main__":
    serve(plans_for)

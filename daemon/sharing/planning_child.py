"""The process that makes joint plans. Run by `daemon.sharing.planning_process`."""

from __future__ import annotations

from time import monotonic
from typing import TYPE_CHECKING, Final

from adapters.host.worker_process import serve
from daemon.sharing.planning_task import ever_better_plans
from planners.joint.integer_programme import improved_by_programme, is_available

if TYPE_CHECKING:
    from collections.abc import Callable

    from daemon.sharing.planning_task import PlanningTask
    from planners.home.together import HomePlan
    from planners.joint.plans import Plans
    from planners.joint.problem import JointProblem

ROUNDS_SECONDS: Final = 1.5
"""After this, no further round improves a plan: a person may wait for it."""

PROGRAMME_SECONDS: Final = 20.0
"""How long HiGHS may take to improve a plan that is in use already."""


def plan(
    task: PlanningTask, send: Callable[[HomePlan | None], None], is_hurried: Callable[[], bool]
) -> None:
    """Send the plan for a task, and a better one later.

    Parameters
    ----------
    task : PlanningTask
        What to plan.
    send : callable
        Takes each plan.
    is_hurried : callable
        Whether something else is to be planned by now.
    """
    begun = monotonic()
    best: HomePlan | None = None

    def improve(joint: JointProblem, plans: Plans) -> tuple[Plans, float]:
        send(best)
        return improved_by_programme(joint, plans, PROGRAMME_SECONDS, is_hurried)

    for found in ever_better_plans(
        task,
        is_enough=lambda: monotonic() >= begun + ROUNDS_SECONDS,
        improve=improve if is_available() and not task.is_preview else None,
    ):
        best = found
    send(best)


if __name__ == "__main__":
    serve(plan)

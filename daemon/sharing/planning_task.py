"""What a joint plan is made from, and what comes of it. Pure."""

from __future__ import annotations

from dataclasses import dataclass
from itertools import islice, pairwise
from math import isfinite
from typing import TYPE_CHECKING

from config.files.errors import TariffError
from planners.home.together import HomePlan, plan_together

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator

    from config.household.household_file import HouseholdFile
    from planners.joint.integer_programme import Improve
    from planners.plan.horizon import Situation
    from planners.rates.prices import Prices

ROUNDS = 6
"""Rounds by which a joint plan is improved, divided by the number of vehicles, where the daemon's
loop waits for it."""


@dataclass(frozen=True, slots=True, eq=False)
class PlanningTask:
    """What to plan together.

    Attributes
    ----------
    file : HouseholdFile
        The household.
    prices : Prices
        Its rates.
    situations : tuple of Situation
        The vehicles to plan for.
    unplanned : tuple of str
        Charge points that take what the plans leave.
    is_preview : bool
        Whether nothing is to be done by the plan.
    """

    file: HouseholdFile
    prices: Prices
    situations: tuple[Situation, ...]
    unplanned: tuple[str, ...]
    is_preview: bool = False


@dataclass(frozen=True, slots=True, eq=False)
class JointPlanMade:
    """A joint plan is there.

    Attributes
    ----------
    task : PlanningTask
        What it was made from.
    plan : HomePlan or None
        None if there is none: no rate is known, or planning failed.
    """

    task: PlanningTask
    plan: HomePlan | None


def plan_for(task: PlanningTask) -> HomePlan | None:
    """Return the best joint plan of a few rounds; None if no rate is known.

    Parameters
    ----------
    task : PlanningTask
        What to plan.

    Returns
    -------
    HomePlan or None
        See `planners.home.together.plan_together`.
    """
    rounds = 1 + ROUNDS // max(1, len(task.situations))
    best = None
    for plan in islice(ever_better_plans(task), rounds):
        best = plan
    return best


def ever_better_plans(
    task: PlanningTask,
    is_enough: Callable[[], bool] = lambda: False,
    improve: Improve | None = None,
) -> Iterator[HomePlan | None]:
    """Plan together, a little better each time, as `planners.home.together.plan_together` does.

    Parameters
    ----------
    task : PlanningTask
        What to plan.
    is_enough, improve : callable
        As for `planners.joint.joint.ever_better`.

    Yields
    ------
    HomePlan or None
        Nothing but None if no rate is known; each charge point says so.
    """
    try:
        yield from plan_together(
            task.file, task.prices, task.situations, task.unplanned,
            is_enough=is_enough, improve=improve,
        )  # fmt: skip
    except TariffError:
        yield None


def is_plan_for(task: PlanningTask, found: object) -> bool:
    """Tell whether something that came from elsewhere can be the joint plan for a task.

    Parameters
    ----------
    task : PlanningTask
        What was to be planned.
    found : object
        What came.

    Returns
    -------
    bool
        True for None as well: there may be no plan. That the main fuse holds is not looked at:
        the claims see to it, whatever is allotted (`daemon.sharing.claims`).
    """
    if found is None:
        return True
    if not isinstance(found, HomePlan) or set(found.allotted) != set(task.file.charge_points):
        return False
    return all(
        spans
        and all(isfinite(span.amps) and span.amps >= 0 for span in spans)
        and all(one.end == following.start for one, following in pairwise(spans))
        for spans in found.allotted.values()
    )

"""Plan one night at a time with the real planner, and remember the plans: each is made once.

Later departures are left out. With them a plan is another one, but a plan of the same kind: periods
at currents that are allowed, up to the next departure. What the controller does with a plan does
not depend on which of them it is.
"""

from __future__ import annotations

from contextlib import contextmanager
from dataclasses import replace
from typing import TYPE_CHECKING, Any
from unittest.mock import patch

from daemon.control import replanning
from planners.plan.planning import draft_plan

if TYPE_CHECKING:
    from collections.abc import Iterator

    from config.household.household_file import HouseholdFile
    from planners.plan.horizon import Situation
    from planners.plan.planning import Draft
    from planners.rates.prices import Prices

_made: dict[tuple[int, int, Situation], tuple[Any, Any, Draft]] = {}
"""By the file, the prices and the situation; the first two are kept, so that their ids stay."""


def planned_once(file: HouseholdFile, prices: Prices, situation: Situation) -> Draft:
    """Make a plan, or return the one that was made from the same: it depends on nothing else."""
    situation = replace(situation, later=())
    key = (id(file), id(prices), situation)
    made = _made.get(key)
    if made is None:
        made = _made[key] = (file, prices, draft_plan(file, prices, situation))
    return made[2]


@contextmanager
def plans_remembered() -> Iterator[None]:
    """Let the controller make each plan once."""
    with patch.object(replanning, "draft_plan", planned_once):
        yield

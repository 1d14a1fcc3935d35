"""Plan one night at a time with the real planner, and remember the plans: each is made once.

What a search of a million steps asks again and again is remembered as well, or done more quickly:
the next departure, a plan to charge at once, and copies of states with some fields replaced.

Later departures are left out. With them a plan is another one, but a plan of the same kind: periods
at currents that are allowed, up to the next departure. What the controller does with a plan does
not depend on which of them it is.
"""

from __future__ import annotations

import dataclasses
import sys
from contextlib import ExitStack, contextmanager
from dataclasses import replace
from typing import TYPE_CHECKING, Any
from unittest.mock import patch

from daemon.control import replanning, state, wishes
from planners.local_time.wished_departures import next_departure
from planners.plan.planning import at_once_instead, draft_plan

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator, Sequence
    from datetime import datetime

    from config.household.household_file import HouseholdFile
    from planners.local_time.departures import DepartureAt
    from planners.local_time.wished_departures import Wish
    from planners.plan.horizon import Situation
    from planners.plan.planning import Draft
    from planners.rates.prices import Prices

_made: dict[tuple[int, int, Situation], tuple[Any, Any, Draft]] = {}
"""By the file, the prices and the situation; the first two are kept, so that their ids stay."""

_at_once: dict[tuple[int, int], tuple[Any, Any, Draft]] = {}
_next: dict[tuple[Any, ...], tuple[Any, DepartureAt | None]] = {}


def planned_once(file: HouseholdFile, prices: Prices, situation: Situation) -> Draft:
    """Make a plan, or return the one that was made from the same: it depends on nothing else."""
    situation = replace(situation, later=())
    key = (id(file), id(prices), situation)
    made = _made.get(key)
    if made is None:
        made = _made[key] = (file, prices, draft_plan(file, prices, situation))
    return made[2]


def _charged_at_once(draft: Draft, prices: Prices) -> Draft:
    """Make the plan to charge at once instead, once for each plan of `planned_once`."""
    key = (id(draft), id(prices))
    made = _at_once.get(key)
    if made is None:
        made = _at_once[key] = (draft, prices, at_once_instead(draft, prices))
    return made[2]


def _next_once(
    file: HouseholdFile, vehicle: str, after: datetime, wishes: Sequence[Wish] = ()
) -> DepartureAt | None:
    key = (id(file), vehicle, after, wishes)
    found = _next.get(key)
    if found is None:
        found = _next[key] = (file, next_departure(file, vehicle, after, wishes))
    return found[1]


# --- copies ---------------------------------------------------------------------------------------

_copiers: dict[type, Callable[[Any, dict[str, Any]], Any] | None] = {}


def copied(old: Any, /, **changes: Any) -> Any:  # noqa: ANN401 - as `dataclasses.replace`
    """Do what `dataclasses.replace` does, without its checks where a class has slots."""
    kind = type(old)
    if kind not in _copiers:
        _copiers[kind] = _copier_of(kind)
    copier = _copiers[kind]
    return replace(old, **changes) if copier is None else copier(old, changes)


def _copier_of(kind: type) -> Callable[[Any, dict[str, Any]], Any] | None:
    names = [each.name for each in dataclasses.fields(kind)]
    if "__slots__" not in vars(kind) or hasattr(kind, "__post_init__"):
        return None
    setters = {name: getattr(kind, name).__set__ for name in names}
    pairs = [(setters[name], getattr(kind, name).__get__) for name in names]

    def copier(old: Any, changes: dict[str, Any]) -> Any:  # noqa: ANN401
        new: Any = object.__new__(kind)
        for put, get in pairs:
            put(new, get(old))
        for name, value in changes.items():
            setters[name](new, value)
        return new

    return copier


@contextmanager
def plans_remembered() -> Iterator[None]:
    """Let the controller make each plan once, and copy states quickly."""
    with ExitStack() as stack:
        stack.enter_context(patch.object(replanning, "draft_plan", planned_once))
        stack.enter_context(patch.object(replanning, "at_once_instead", _charged_at_once))
        for module in (state, wishes):
            stack.enter_context(patch.object(module, "next_departure", _next_once))
        for name, each in list(sys.modules.items()):
            if name.startswith(COPIES) and getattr(each, "replace", None) is replace:
                stack.enter_context(patch.object(each, "replace", copied))
        yield


COPIES = ("daemon.control.", "planners.power.", "tests.every_sequence.")
"""The modules that copy states."""

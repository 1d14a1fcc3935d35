"""Plan several vehicles together, in rounds that find better plans or prove that few are left."""

from __future__ import annotations

from dataclasses import dataclass
from itertools import cycle, product
from typing import TYPE_CHECKING

import numpy as np

from planners.joint.integer_programme import can_state
from planners.joint.lowered_needs import with_least_shortages, with_needs_met
from planners.joint.plans import Plans, currents_of, fits, solved
from planners.joint.shared_prices import SharedPrices
from planners.joint.surplus import pays_to_export
from planners.joint.turns import best_in_turn, improved, in_turn, kept_currents, orders_of
from planners.solver.problem import TIE
from planners.solver.solution import objective

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator, Sequence

    from planners.joint.integer_programme import Improve
    from planners.joint.problem import JointProblem
    from planners.solver.solution import Solution

PROVEN = 1e-4
"""Plans this near to the bound count as the cheapest, as a part of what their energy costs."""

MOST_ROUNDS = 40
"""Rounds after which prices hardly move any more."""


@dataclass(frozen=True, slots=True, eq=False)
class JointPlan:
    """Plans of several vehicles that fit together, and how much cheaper any could be.

    Attributes
    ----------
    plans : tuple of Solution
        In the order of the vehicles.
    shortages_kwh : tuple of (float, float)
        See `Plans`.
    money : float
        Sum of the vehicles' objectives [currency].
    least_money : float
        No plans with these shortages have a lower sum [currency]; minus infinity if not known.
    """

    plans: tuple[Solution, ...]
    shortages_kwh: tuple[tuple[float, float], ...]
    money: float
    least_money: float

    @property
    def gap(self) -> float:
        """The most that could be saved [currency]; infinity if not known."""
        return max(0.0, self.money - self.least_money)

    @property
    def gap_share(self) -> float:
        """The same as a part of what the energy costs; infinity if not known."""
        cost = sum(abs(plan.cost) for plan in self.plans)
        return 0.0 if self.gap == 0 else self.gap / cost if cost > 0 else np.inf

    @property
    def is_proven(self) -> bool:
        """Whether no plans are noticeably cheaper."""
        return self.gap_share <= PROVEN


def ever_better(
    joint: JointProblem,
    *,
    is_enough: Callable[[], bool] = lambda: False,
    improve: Improve | None = None,
) -> Iterator[JointPlan]:
    """Plan several vehicles together, a little better each time.

    Parameters
    ----------
    joint : JointProblem
        The problem.
    is_enough : callable
        Whether the rounds end before that; asked after each.
    improve : callable, optional
        What comes after the rounds if they proved nothing: see `improved_by_programme` in
        `planners.joint.integer_programme`.

    Yields
    ------
    JointPlan
        First the plans of each vehicle alone, if they fit together and none draws another's
        surplus: these are the cheapest. Else
        the best of planning in turn; and then, after each round of prices on what is shared, the
        best so far with the bound so far. It ends when the plans are proven, or after
        `MOST_ROUNDS` and the improvement. None is worse than the one before. A need that can't be
        met is missed by as little as `planners.joint.lowered_needs` found, and the bound is for
        these shortages; such a plan may end in mid-tick where the need was lowered to, after less
        than a shortest run.

    Raises
    ------
    ValueError
        If `JointProblem.check` refuses the problem.
    """  # noqa: DOC502 - raised by check
    joint.check()
    alone = [solved(joint, vehicle, problem) for vehicle, problem in enumerate(joint.vehicles)]
    together = Plans.of(joint, alone) if fits(joint, currents_of(joint, alone)) else None
    if together is not None and _is_least(joint, alone, together):
        yield _joint_plan(joint, together, -np.inf, is_least=True)
        return
    best = improved(joint, best_in_turn(joint), rounds=3)
    if together is not None:
        trial = improved(joint, together, rounds=3)
        best = trial if trial.is_better_than(best) else best
    original = joint
    if best.is_short:
        best = with_least_shortages(joint, best)
        joint = with_needs_met(joint, best)
        best = improved(joint, Plans.of(joint, best.plans), rounds=2)
    yield _joint_plan(original, best, -np.inf)
    prices = SharedPrices(joint)
    turns = cycle(product(orders_of(joint), (None, *kept_currents(joint))))
    for _ in range(MOST_ROUNDS):
        prices.next_round(best.money)
        order, kept = next(turns)
        trial = in_turn(
            joint,
            order,
            surcharges=prices.surcharges,
            surplus_prices=prices.surplus_prices,
            kept=kept,
        )
        trial = improved(joint, trial, rounds=2)
        best = trial if trial.is_better_than(best) else best
        found = _joint_plan(original, best, prices.bound)
        yield found
        if found.is_proven:
            return
        if prices.is_settled or is_enough():
            break
    if improve is not None and can_state(joint):
        trial, bound = improve(joint, best)
        # Nobody changes their hours for less than what counts as proven.
        is_worth = trial.money < best.money - PROVEN * sum(abs(plan.cost) for plan in trial.plans)
        best = trial if is_worth else best
        yield _joint_plan(original, best, max(prices.bound, bound))


def _is_least(joint: JointProblem, alone: Sequence[Solution], together: Plans) -> bool:
    """Tell whether the plans of each vehicle alone cost no more together."""
    if joint.sunniest is None:
        return True
    pairs = zip(joint.vehicles, alone, strict=True)
    least = sum(objective(problem, plan) for problem, plan in pairs)
    return not pays_to_export(joint).any() and together.money <= least + TIE


def _joint_plan(
    original: JointProblem, best: Plans, bound: float, *, is_least: bool = False
) -> JointPlan:
    """Give plans the shortages of the original needs."""
    shortages = Plans.of(original, best.plans).shortages_kwh
    least = best.money if is_least else min(bound, best.money)
    return JointPlan(best.plans, shortages, best.money, least)

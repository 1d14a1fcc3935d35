"""Plans of a three-phase vehicle that may charge on one phase; HiGHS finds none much cheaper."""

from __future__ import annotations

from datetime import timedelta
from decimal import Decimal
from itertools import pairwise
from typing import TYPE_CHECKING

import pytest

from config.household.household_file import HouseholdFile
from planners.local_time.wished_departures import departures_to_plan
from planners.plan.horizon import Situation, horizon_of
from planners.plan.planning import make_plan
from planners.surplus.one_phase import most_amps_on_one, switches_well
from tests.planners.plan.test_own_roof import AT_FOUR, KNOWN_LOAD, MORNING, TWO_RATES, sunny
from tests.planners.planned import DemoHousehold
from tests.planners.solver.linear_model import LinearModel, minimised

if TYPE_CHECKING:
    from planners.plan.plan import Plan

SEVERAL, VOLTS, LEAST = 3, 230.0, 6.0
MINUTE = timedelta(minutes=1)


def file_with(
    *, switches: bool = True, amps: float = 16.0, home: dict[str, object] | None = None,
    point: dict[str, object] | None = None, need: float = 50.0,
) -> HouseholdFile:  # fmt: skip
    own: dict[str, object] = {"max_amps": amps, "phases": SEVERAL}
    if switches:
        own["phase_switching_seconds"] = 30
    base = {"main_fuse_amps": [63.0] * 3, "known_load": KNOWN_LOAD, "tick_minutes": 15}
    return DemoHousehold(
        home=base | (home or {}),
        tariffs=(TWO_RATES,), point=own | (point or {}), car={"phases": SEVERAL},
        leaves=AT_FOUR | {"need_percent": need},
        generation={"forecast": {}, "trust_percent": 100.0},
    ).file()  # fmt: skip


def planned(file: HouseholdFile, kw: tuple[float, ...], soc: float = 40.0) -> Plan:
    found = departures_to_plan(file, "hatchback", MORNING, MORNING + timedelta(days=1))
    return make_plan(file, sunny(file, kw), Situation(MORNING, soc, found[0]))


def value(plan: Plan, max_rate: float = 0.10) -> float:
    """Return what a plan costs, less what its energy beyond the need is worth."""
    need = 52.0 * (50.0 - 40.0) / 100 / 0.9
    return plan.cost - max_rate * max(0.0, plan.energy_kwh - need)


def least_cost(file: HouseholdFile, kw: tuple[float, ...], amps: float) -> float:
    """Find the least cost with powers in both ranges by a mixed-integer programme."""
    found = departures_to_plan(file, "hatchback", MORNING, MORNING + timedelta(days=1))
    problem = horizon_of(file, sunny(file, kw), Situation(MORNING, 40.0, found[0])).problem
    deadline, surplus, exported = (
        problem.deadlines[0], problem.surplus_kw, problem.export_rates_per_kwh,
    )  # fmt: skip
    assert surplus is not None
    assert exported is not None
    model, worth = LinearModel(), deadline.max_rate_per_kwh
    bought = []
    for tick in range(problem.ticks):
        roof = model.column(float(surplus[tick]) * problem.tick_hours)
        grid, one, all_three = model.column(100.0), model.binary(), model.binary()
        for bound, add in ((LEAST, model.at_least), (amps, model.at_most)):
            kwh = bound * VOLTS / 1000 * problem.tick_hours
            add([(roof, 1.0), (grid, 1.0), (one, -kwh), (all_three, -SEVERAL * kwh)], 0.0)
        model.at_most([(one, 1.0), (all_three, 1.0)], 1.0)
        model.charge([(roof, exported[tick] - worth), (grid, problem.rates_per_kwh[tick] - worth)])
        bought += [(roof, problem.model.efficiency), (grid, problem.model.efficiency)]
    need_kwh = deadline.need_kwh - problem.stored_kwh
    model.at_least(bought, need_kwh)
    model.at_most(bought, deadline.want_kwh - problem.stored_kwh)
    solver = model.highs()
    assert minimised(solver, model.cost)
    return float(solver.getObjectiveValue()) + worth * need_kwh / problem.model.efficiency


@pytest.mark.parametrize(
    "kw",
    [
        (2.0, 2.5, 3.0, 3.0, 2.0, 2.0),
        (1.0, 2.5, 4.0, 4.5, 4.0, 3.0),
        (2.0, 6.0, 9.0, 9.0, 6.0, 3.0),
    ],
)
def test_one_phase_costs_less_and_nearly_the_least(kw: tuple[float, ...]) -> None:
    """A small surplus feeds one phase; a mixed-integer programme finds nothing much cheaper."""
    file = file_with()
    plan, whole = planned(file, kw), planned(file_with(switches=False), kw)
    assert any(period.one_phase_amps is not None for period in plan.periods)
    assert value(plan) < value(whole)
    least = least_cost(file, kw, 16.0)
    # A last tick cut short may draw less than a whole one at the least current.
    assert least - 0.02 * abs(whole.cost) <= value(plan) <= least + 0.02 * abs(whole.cost)


def test_a_current_on_one_phase_is_told_as_it_is() -> None:
    """The charge point is told 6 to 16 A on one phase; the plan's power is that of one phase."""
    plan = planned(file_with(), (2.0, 2.5, 3.0, 3.0, 2.0, 2.0))
    for period, document in zip(plan.periods, plan.to_json()["periods"], strict=True):
        assert period.one_phase_amps is not None
        assert LEAST <= period.told_amps <= 16.0
        assert (document["amps"], document["phases"]) == (period.one_phase_amps, 1)
        hours = (period.end - period.start) / (60 * MINUTE)
        assert period.kwh == pytest.approx(VOLTS * period.told_amps / 1000 * hours)


def test_the_grid_at_night_charges_on_all_phases() -> None:
    """Without sun nothing is to be gained by one phase."""
    plan = planned(file_with(), (0.0,))
    assert plan.periods
    assert all(period.one_phase_amps is None for period in plan.periods)


def test_no_phase_carries_more_than_the_unbalance_allows() -> None:
    """One phase carries no more than max_unbalance_amps beyond the others."""
    file = file_with(amps=32.0, home={"max_unbalance_amps": 20.0})
    assert most_amps_on_one(file, "hatchback") == 20.0
    plan = planned(file, (5.0, 5.0, 5.0, 5.0, 5.0, 5.0))
    assert max(period.one_phase_amps or 0.0 for period in plan.periods) <= 20.0


def test_a_run_must_last_before_it_switches() -> None:
    """Where a run must last two hours, a plan does not switch to all phases for one."""
    kw = (2.0, 2.5, 9.0, 2.5, 2.0, 2.0)
    file = file_with(point={"min_run_minutes": 120})
    runs = [
        (period.start, period.end, period.one_phase_amps is not None)
        for period in planned(file, kw).periods
    ]
    kinds = {kind for *_, kind in runs}
    assert len(kinds) == 1


def test_switching_spares_the_contactors() -> None:
    """Fifteen minutes lie between switches, and a run before one is long enough."""
    point = file_with(point={"min_run_minutes": 10}).charge_points["driveway"]

    def runs(*minutes: int) -> list[tuple[object, object, bool]]:
        edges = [MORNING + each * MINUTE for each in minutes]
        return [(begins, ends, bool(n % 2)) for n, (begins, ends) in enumerate(pairwise(edges))]

    assert switches_well(runs(0, 20, 35, 50), point)  # type: ignore[arg-type]  # instants
    assert not switches_well(runs(0, 20, 34, 50), point)  # type: ignore[arg-type]  # too soon again
    assert not switches_well(runs(0, 9, 40), point)  # type: ignore[arg-type]  # too short a run


def test_the_export_rate_decides() -> None:
    """Where export pays more than a kWh is worth, the need alone is charged by the cheapest sun."""
    plan = planned(file_with(), (2.0, 2.5, 3.0, 3.0, 2.0, 2.0))
    need = 52.0 * 0.10 / 0.9
    assert plan.energy_kwh == pytest.approx(need, rel=0.02)
    assert Decimal("0.08") == TWO_RATES["export_rate"]

"""What is left of a plan: its figures from a later instant on."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

import pytest
from hypothesis import given
from hypothesis import strategies as st

from planners.local_time.wished_departures import next_departure
from planners.plan.horizon import Situation
from planners.plan.remaining import GOES_ON_PERCENT, lag_percent, remaining_plan
from planners.power.allowed_currents import charge_model
from planners.rates.prices import prices_of
from tests.planners.planned import NIGHT_RATE, DemoHousehold, minutes, utc

if TYPE_CHECKING:
    from datetime import datetime

    from planners.plan.plan import Plan

EVENING = "2026-06-03T06:30:00"
HOME = DemoHousehold()


def left(plan: Plan, soc: float, now: datetime, home: DemoHousehold = HOME) -> Plan:
    file = home.file()
    departure = next_departure(file, "hatchback", plan.made_at)
    assert departure is not None
    situation = Situation(now, soc, departure, on=plan.period_at(now) is not None)
    return remaining_plan(plan, file, prices_of(file, {}), situation)


def gained(plan: Plan, until: datetime, home: DemoHousehold = HOME) -> tuple[float, float]:
    """Return state of charge and metered energy at an instant if all goes as planned."""
    model = charge_model(home.file(), "hatchback")
    metered = sum(
        p.kwh * max(0.0, (min(until, p.end) - p.start) / (p.end - p.start)) for p in plan.periods
    )
    return plan.soc_percent + model.soc_percent(metered * model.full_power_efficiency), metered


def test_a_plan_of_which_nothing_is_done_is_itself() -> None:
    """Before its first period, with the same charge, a plan has no newer figures."""
    plan = HOME.plan(35.0, EVENING)
    assert left(plan, 35.0, plan.periods[0].start) is plan


@given(share=st.floats(0.001, 0.999))
def test_what_is_done_and_what_is_left_are_the_plan(share: float) -> None:
    """At any instant of a plan, energy and cost so far and from then on add up to the plan's."""
    plan = HOME.plan(35.0, EVENING)
    [period] = plan.periods
    now = period.start + share * (period.end - period.start)
    soc, done_kwh = gained(plan, now)
    rest = left(plan, soc, now)
    assert done_kwh + rest.energy_kwh == pytest.approx(plan.energy_kwh, abs=1e-6)
    assert done_kwh * NIGHT_RATE + rest.cost == pytest.approx(plan.cost, abs=1e-6)
    assert rest.reaches_percent == pytest.approx(plan.reaches_percent)
    assert rest.soc_percent == pytest.approx(soc)
    assert rest.periods[0].start == now
    assert abs(rest.periods[-1].end - period.end) < minutes(0.1)
    assert rest.starts == 0
    assert (rest.made_at, rest.name, rest.why) == (plan.made_at, plan.name, plan.why)


def test_what_is_left_is_compared_with_the_rules_from_now_on() -> None:
    """At once and on a timer deliver what is left, not what the whole plan took."""
    plan = HOME.plan(35.0, EVENING)
    now = plan.periods[0].start + minutes(60)
    rest = left(plan, gained(plan, now)[0], now)
    assert rest.at_once.energy_kwh == pytest.approx(rest.energy_kwh)
    assert rest.timer.cost == pytest.approx(rest.cost)


def test_a_vehicle_that_gains_more_than_planned_is_done_sooner() -> None:
    """With more in the battery than planned, less energy and time are left."""
    plan = HOME.plan(35.0, EVENING)
    now = plan.periods[0].start + minutes(60)
    rest = left(plan, 60.0, now)
    assert rest.energy_kwh == pytest.approx(0.2 * 52 / 0.9)
    assert rest.reaches_percent == pytest.approx(80.0)
    assert rest.periods[-1].end < plan.periods[-1].end


def test_nothing_is_left_beyond_the_target() -> None:
    """Above its target a plan has no energy, no cost, and the charge there is."""
    plan = HOME.plan(35.0, EVENING)
    rest = left(plan, 85.0, plan.periods[0].start + minutes(60))
    assert (rest.energy_kwh, rest.cost, rest.periods, rest.starts) == (0.0, 0.0, (), 0)
    assert rest.reaches_percent == pytest.approx(85.0)
    assert rest.shortfall is None


def test_a_small_lag_is_made_up_after_the_plans_end() -> None:
    """What a vehicle gains less, up to a percent, is charged after the last period."""
    plan = HOME.plan(35.0, EVENING)
    now = plan.periods[0].start + minutes(60)
    soc = gained(plan, now)[0] - 0.9 * GOES_ON_PERCENT
    rest = left(plan, soc, now)
    assert rest.reaches_percent == pytest.approx(80.0)
    assert rest.energy_kwh == pytest.approx((80 - soc) / 100 * 52 / 0.9)
    assert rest.periods[-1].end > plan.periods[-1].end


def test_a_large_lag_shows() -> None:
    """A plan whose periods miss its target by more says what it reaches, and by how much."""
    plan = HOME.plan(35.0, EVENING)
    now = plan.periods[0].start + minutes(60)
    soc = gained(plan, now)[0] - 5
    assert left(plan, soc, now).reaches_percent == pytest.approx(75.0, abs=0.1)
    assert lag_percent(plan, HOME.file(), now, soc) == pytest.approx(5.0, abs=0.1)


@pytest.mark.parametrize("taper", [None, [(50.0, 100.0), (100.0, 20.0)]])
@pytest.mark.parametrize("behind", [0.0, 2.0, 5.0])
def test_the_lag_is_what_the_rest_of_the_plan_misses(
    taper: list[tuple[float, float]] | None, behind: float
) -> None:
    """With a taper and without; a plan that is on its way misses nothing."""
    home = replace(HOME, car={"taper": taper})
    plan = home.plan(35.0, EVENING)
    now = plan.periods[0].start + minutes(60)
    soc = 35.0 + 0.9 * 7.36 / 52 * 100 - behind  # an hour at full power, below the taper
    missed = plan.reaches_percent - left(plan, soc, now, home).reaches_percent
    lag = lag_percent(plan, home.file(), now, soc)
    assert lag == pytest.approx(missed, abs=0.1)
    assert lag <= behind + 0.1


def test_what_is_missing_for_the_need_is_that_of_now() -> None:
    """A need that the whole time can't meet is missed by less with more in the battery."""
    weak = replace(HOME, point={"max_amps": 8.0})
    plan = weak.plan(5.0, EVENING)
    assert plan.shortfall is not None
    now = plan.periods[0].start + minutes(60)
    more = left(plan, gained(plan, now, weak)[0] + 10, now, weak)
    assert more.shortfall is not None
    fewer_kwh = plan.shortfall.kwh - more.shortfall.kwh
    assert fewer_kwh == pytest.approx(0.1 * 52 / 0.9, abs=0.1)


def test_figures_of_now_carry_their_instant() -> None:
    """The document says as of when its figures are; a new plan's are those of `made_at`."""
    plan = HOME.plan(35.0, EVENING)
    assert "as_of" not in plan.to_json()
    rest = left(plan, 50.0, utc("2026-06-03T10:00:00"))
    assert rest.to_json()["as_of"] == "2026-06-03T10:00:00Z"

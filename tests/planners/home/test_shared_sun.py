"""Several vehicles beside one roof: together they never count on more than it leaves."""

from __future__ import annotations

from dataclasses import dataclass, replace
from datetime import timedelta
from decimal import Decimal

import pytest
from typing_extensions import override

from config.files.forecast_series import ForecastPoint
from config.household.household_file import HouseholdFile
from planners.generation.outlook import Outlook
from planners.home.allotments import plans_together
from planners.home.together import plan_together
from planners.local_time.conversion import instant_of, minute_of
from planners.local_time.wished_departures import next_departure
from planners.plan.horizon import Situation
from planners.plan.plan import Plan
from planners.plan.planning import draft_plan
from planners.rates.prices import Prices, prices_of
from tests.planners.home.test_together import DAY, NIGHT, TwoCars
from tests.planners.households import band, bands
from tests.planners.planned import utc

MORNING = utc("2026-12-04T20:00")
"""Saturday 09:00 by the household's clock; both leave at 16:00."""

SOLD = bands(band("night", NIGHT, hours=["21:00-07:00"]), band("day", DAY),
             export_rate=Decimal("0.05"))  # fmt: skip
EXPECTED_KW, TRUST = 9.0, 0.8


@dataclass(frozen=True)
class SunnyCars(TwoCars):
    """Two cars that leave in the afternoon, and a roof."""

    @override
    def file(self) -> HouseholdFile:
        made = super().file().model_dump(exclude_unset=True)
        return HouseholdFile.model_validate(made | {"generation": {"forecast": {}}})


def sunny(file: HouseholdFile) -> Prices:
    points = tuple(
        ForecastPoint(MORNING + timedelta(hours=hour), EXPECTED_KW) for hour in range(1, 5)
    )
    assert file.generation is not None
    return prices_of(file, {}, sun=Outlook(file.generation, file.zone, points))


def plans_of(file: HouseholdFile, prices: Prices) -> list[Plan]:
    situations = []
    for car, soc in (("hatchback", 40.0), ("van", 30.0)):
        departure = next_departure(file, car, MORNING)
        assert departure is not None
        situations.append(Situation(MORNING, soc, departure))
    home = next(plan_together(file, prices, situations))
    allotted = [
        replace(each, is_joint=True,
                allotted=home.allotted[file.vehicles[each.departure.vehicle].charge_point])
        for each in situations
    ]  # fmt: skip
    return [draft_plan(file, prices, each).plan for each in allotted]


def cost_together(plans: list[Plan]) -> float:
    """Price what flows in each minute again: up to 7.2 kW of it come from the roof."""
    first, last = minute_of(MORNING), minute_of(MORNING + timedelta(hours=7))
    cost = 0.0
    for minute in range(first, last):
        start, end = instant_of(minute), instant_of(minute + 1)
        kwh = sum(
            period.amps * 0.23 * max(0, (min(end, period.end) - max(start, period.start)).seconds)
            / 3600
            for plan in plans
            for period in plan.periods
            if period.start < end and period.end > start
        )  # fmt: skip
        sun = TRUST * EXPECTED_KW if MORNING + timedelta(hours=1) <= start else 0.0
        sun = 0.0 if start >= MORNING + timedelta(hours=5) else sun
        roof = min(kwh, sun / 60)
        cost += roof * 0.05 + (kwh - roof) * float(DAY)
    return cost


@pytest.mark.parametrize("fuse", [40.0, 100.0], ids=["one fuse", "a fuse for all"])
def test_two_cars_share_the_sun(fuse: float) -> None:
    """Their plans' costs add up to that of what flows, priced minute by minute."""
    file = SunnyCars(fuse=fuse, needs=(60.0, 50.0), leaves=("16:00", "16:00"), tariff=SOLD).file()
    assert plans_together(file)
    prices = sunny(file)
    plans = plans_of(file, prices)
    assert all(plan.shortfall is None for plan in plans)
    roof_kwh = sum(plan.roof_kwh for plan in plans)
    bought = sum(plan.energy_kwh for plan in plans)
    assert 20 < roof_kwh <= bought
    assert sum(plan.cost for plan in plans) == pytest.approx(cost_together(plans), abs=0.01)


def test_one_car_alone_has_all_of_it() -> None:
    """Whoever is not there takes no part."""
    file = SunnyCars(needs=(80.0, 50.0), leaves=("16:00", "16:00"), tariff=SOLD).file()
    prices = sunny(file)
    departure = next_departure(file, "hatchback", MORNING)
    assert departure is not None
    situation = Situation(MORNING, 40.0, departure)
    home = next(plan_together(file, prices, [situation]))
    alone = replace(situation, allotted=home.allotted["driveway"])
    plan = draft_plan(file, prices, alone).plan
    assert plan.roof_kwh == pytest.approx(plan.energy_kwh, rel=0.02)
    assert plan.cost == pytest.approx(cost_together([plan]), abs=0.01)


def test_without_an_allotment_each_counts_on_its_part() -> None:
    """As each has its fixed part of the fuse: half of the sun for one of two."""
    file = SunnyCars(needs=(80.0, 50.0), leaves=("16:00", "16:00"), tariff=SOLD).file()
    prices = sunny(file)
    departure = next_departure(file, "hatchback", MORNING)
    assert departure is not None
    draft = draft_plan(file, prices, Situation(MORNING, 40.0, departure))
    surplus = draft.horizon.problem.surplus_kw
    assert surplus is not None
    assert surplus.max() == pytest.approx(TRUST * EXPECTED_KW / 2)

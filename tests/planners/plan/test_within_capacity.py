"""A plan keeps to the power that a capacity charge makes worth its while."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from datetime import UTC, date, datetime, timedelta
from decimal import Decimal
from pathlib import Path
from typing import Any

import pytest

from config.household.household_file import HouseholdFile
from config.household.loading import load_household
from planners.capacity.tonight import DayPeak
from planners.plan.horizon import Situation, departures_known
from planners.plan.plan import Plan
from planners.plan.planning import make_plan
from planners.power.allowed_currents import AmpsSpan
from planners.rates.prices import prices_of

EXAMPLES = Path(__file__).parents[3] / "config" / "examples"
BY_HOURS = load_household(EXAMPLES / "highest-hours.yaml")
BY_QUARTERS = load_household(EXAMPLES / "quarter-hour-peaks.yaml")
TUESDAY = datetime(2026, 10, 6, 16, 2, tzinfo=UTC)


def planned(
    file: HouseholdFile,
    now: datetime = TUESDAY,
    soc_percent: float = 45,
    peaks: Mapping[date, float] | None = None,
    *,
    on: bool = False,
    allotted: tuple[AmpsSpan, ...] = (),
    is_joint: bool = False,
    **changes: Any,  # noqa: ANN401 - fields of the departure
) -> Plan:
    """Plan the next departure of the only vehicle."""
    prices = prices_of(file, {})
    (vehicle,) = file.vehicles
    first, *later = departures_known(file, prices, vehicle, now)
    known = tuple(DayPeak(day, kw) for day, kw in (peaks or {}).items())
    situation = Situation(
        now, soc_percent, replace(first, **changes),
        on=on, since=now if on else None, later=tuple(later), peaks=known, allotted=allotted,
        is_joint=is_joint,
    )  # fmt: skip
    return make_plan(file, prices, situation)


def without_charge(file: HouseholdFile) -> HouseholdFile:
    tariffs = tuple(each.model_copy(update={"capacity_charge": None}) for each in file.tariffs)
    return file.model_copy(update={"tariffs": tariffs})


def hourly_kw(file: HouseholdFile, plan: Plan, minutes: int = 60) -> list[float]:
    """Return the home's mean power in each interval, by the periods and the known load."""
    found = []
    start = TUESDAY.replace(minute=0)
    for number in range(20 * 60 // minutes):
        begins = start + number * timedelta(minutes=minutes)
        ends = begins + timedelta(minutes=minutes)
        kwh = 0.0
        for period in plan.periods:
            inside = min(period.end, ends) - max(period.start, begins)
            if inside > timedelta(0):
                kwh += period.kwh * (inside / (period.end - period.start))
        local = begins.astimezone(file.zone)
        minute = local.hour * 60 + local.minute
        amps = sum(
            load.amps
            for load in file.household.known_load
            if any(hours.contains(minute) for hours in load.hours)
        )
        found.append(kwh / (minutes / 60) + amps * file.household.nominal_volts / 1000)
    return found


def test_keeps_to_the_lowest_step_that_the_need_allows() -> None:
    """With seventeen nights left, the step up to 2 kW is worth more than their cheap hours."""
    plan, free = planned(BY_HOURS), planned(without_charge(BY_HOURS))
    assert max(hourly_kw(BY_HOURS, free)) > 7
    assert max(hourly_kw(BY_HOURS, plan)) <= 2 + 1e-6
    assert plan.reaches_percent >= plan.need_percent
    assert plan.cost == pytest.approx(sum(period.cost for period in plan.periods))
    (said,) = [line for line in plan.why if line.startswith("Kept to")]
    assert said == (
        "Kept to 2.0 kW for the whole home, on average of each hour: above it the capacity charge"
        " of October would grow by NOK 250.00."
    )


def test_keeps_to_it_while_a_run_must_last() -> None:
    """A run that has just begun goes on at the lowest current, and the plan stays the same."""
    begun, first = planned(BY_HOURS, on=True), planned(BY_HOURS)
    assert max(hourly_kw(BY_HOURS, begun)) <= 2 + 1e-6
    assert begun.reaches_percent == pytest.approx(first.reaches_percent, abs=2)


def test_uses_a_peak_that_is_there_already() -> None:
    """Where three days had their peaks already, nothing below them is spared."""
    peaks = {date(2026, 10, day): 8.5 for day in (1, 2, 5)}
    plan, free = planned(BY_HOURS, peaks=peaks), planned(without_charge(BY_HOURS))
    assert plan.cost == pytest.approx(free.cost)
    assert not any(line.startswith("Kept") for line in plan.why)


def test_what_is_allotted_by_a_joint_plan_is_not_kept_to_a_cap_again() -> None:
    """The joint plan has minded the charge; without one, a charge point beside others minds it."""
    allotted = (AmpsSpan(TUESDAY, TUESDAY + timedelta(days=8), 32.0),)
    points = BY_HOURS.charge_points
    several = BY_HOURS.model_copy(update={"charge_points": points | {"other": points["carport"]}})
    alone, joint, free = (
        planned(several, allotted=allotted),
        planned(several, allotted=allotted, is_joint=True),
        planned(without_charge(several), allotted=allotted),
    )
    assert any(line.startswith("Kept") for line in alone.why)
    assert joint.cost == pytest.approx(free.cost)
    assert not any(line.startswith("Kept") for line in joint.why)


def test_never_misses_a_need() -> None:
    """A need at any price is met, whatever its peak costs."""
    now = TUESDAY + timedelta(hours=8)
    plan = planned(BY_HOURS, now=now, soc_percent=15, need_percent=70.0)
    free = planned(without_charge(BY_HOURS), now=now, soc_percent=15, need_percent=70.0)
    assert plan.shortfall is None
    assert free.shortfall is None
    assert plan.reaches_percent >= 70


def test_highest_rate_is_for_energy_alone() -> None:
    """A charge that costs more than energy saves nothing where max_rate allows only the night."""
    limit = Decimal("0.80")
    for file in (BY_HOURS, without_charge(BY_HOURS)):
        each = planned(file, max_rate=limit)
        assert all(period.band == "night" for period in each.periods)


def test_says_the_current_that_it_keeps_to() -> None:
    """Where one current holds for whole hours, that current is named."""
    charge = BY_HOURS.tariffs[0].capacity_charge
    assert charge is not None
    by_kw = charge.model_copy(update={"steps": None, "rate_per_kw": Decimal(40)})
    tariffs = (BY_HOURS.tariffs[0].model_copy(update={"capacity_charge": by_kw}),)
    household = BY_HOURS.household.model_copy(update={"known_load": ()})
    file = BY_HOURS.model_copy(update={"tariffs": tariffs, "household": household})
    plan = planned(file, peaks={date(2026, 10, day): 2.4 for day in (1, 2, 5)})
    (said,) = [line for line in plan.why if line.startswith("Kept to")]
    assert said.startswith("Kept to 10 A: above it the capacity charge of October would grow by")


def test_counts_in_twelve_bills() -> None:
    """Under a mean of twelve months 7 A all night are below the least that counts.

    By hand: at once it would be 32 A and the home's 10 A, 9.66 kW, and at night 32 A and 3 A, 8.05:
    above 2.5 kW that is 5.55 kW at 3.90 and 6 % of tax.
    """
    plan = planned(BY_QUARTERS, soc_percent=50)
    assert max(hourly_kw(BY_QUARTERS, plan, 15)) <= 2.53 + 1e-6
    (said,) = [line for line in plan.why if line.startswith("Kept to")]
    assert said == (
        "Kept to 7 A: above it the capacity charge of the 12 bills in which the peak counts would"
        " grow by EUR 22.94."
    )
    assert round(5.55 * 3.90 * 1.06, 2) == 22.94


def test_switched_on_for_part_of_each_hour() -> None:
    """A charge point that is only switched is on in part of each hour, as the step allows."""
    (point,) = BY_HOURS.charge_points
    switched = BY_HOURS.charge_points[point].model_copy(
        update={"switching": "on_off", "max_amps": 16.0}
    )
    file = BY_HOURS.model_copy(update={"charge_points": {point: switched}})
    plan, free = planned(file), planned(without_charge(file))
    assert max(hourly_kw(file, free)) > 4
    assert max(hourly_kw(file, plan)) <= 2 + 1e-6
    assert {period.amps for period in plan.periods} == {16.0}
    assert plan.starts > free.starts


@pytest.mark.parametrize("day", [29, 30, 31])
def test_night_into_another_month(day: int) -> None:
    """The last night of a month has a peak in each of two months."""
    now = datetime(2026, 10, 1, 16, 2, tzinfo=UTC).replace(day=day)
    plan = planned(BY_HOURS, now=now)
    assert plan.reaches_percent >= plan.need_percent
    said = [line for line in plan.why if line.startswith("Kept to")]
    assert len(said) == 1

"""Battery ageing: the published model's values, and what choices of it make."""

from __future__ import annotations

from dataclasses import replace
from decimal import Decimal
from math import sqrt

import pytest

from planners.appraisal.appraising import appraise
from planners.vehicle.ageing import VOLTS, BatteryUse, capacity_loss
from tests.planners.appraised import DAILY, cheap_night, choice, choices_file, flat, point

NONE = BatteryUse(mean_percent=50.0, depth_percent=0.0, cycles_per_year=0.0)


def percent_at(volts: float) -> float:
    """Return the state of charge at which the cell has a voltage between two of the table."""
    place = next(n for n, each in enumerate(VOLTS) if each >= volts)
    before = VOLTS[place - 1]
    return 10 * (place - 1 + (volts - before) / (VOLTS[place] - before))


@pytest.mark.parametrize(("volts", "loss"), [(3.7, 0.02395), (4.1, 0.04132)])
def test_a_year_at_rest(volts: float, loss: float) -> None:
    """At 25 °C 2.395 % at 3.7 V and 4.132 % at 4.1 V: computed from the published formula."""
    found = capacity_loss(replace(NONE, mean_percent=percent_at(volts)), 1, [25.0])
    assert found.by_time == pytest.approx(loss, rel=2e-3)  # by 365 days there, 365.25 here
    assert found.by_use == 0


def test_use_counts_by_the_root_of_what_went_through() -> None:
    """By hand: 100 whole cycles to a depth of 80 percent about 50 percent; 410 Ah."""
    use = BatteryUse(mean_percent=50.0, depth_percent=80.0, cycles_per_year=100.0)
    by_charge = 7.348e-3 * (3.697 - 3.667) ** 2 + 7.6e-4 + 4.081e-3 * 0.8
    assert capacity_loss(use, 1, [25.0]).by_use == pytest.approx(by_charge * sqrt(410))
    four = capacity_loss(use, 4, [25.0]).by_use
    assert four == pytest.approx(2 * capacity_loss(use, 1, [25.0]).by_use)


def test_full_and_hot_batteries_age_faster() -> None:
    """Each alone; the months of a year count by how fast it goes in each."""
    at_rest = capacity_loss(NONE, 8, [15.0]).by_time
    assert capacity_loss(replace(NONE, mean_percent=80.0), 8, [15.0]).by_time > 1.2 * at_rest
    assert capacity_loss(NONE, 8, [25.0]).by_time > 1.2 * at_rest
    assert capacity_loss(NONE, 8, [5.0, 25.0]).by_time > at_rest


def test_charging_late_keeps_the_battery_lower_and_costs_less_of_it() -> None:
    """At once is full all night: its mean charge is higher, so is its loss, which has a price."""
    choices = (
        choice("at once", flat(), charge_point=point(), planner="at_once", need_percent=80.0),
        choice("late", cheap_night(), charge_point=point(), need_percent=80.0),
    )
    vehicle = {"battery_price_per_kwh": Decimal(150), "prefer": "late"}
    driving = DAILY | {"distance_per_year": "20000 km"}
    file = choices_file(*choices, vehicle=vehicle, driving=driving, tick_minutes=60)
    early, late = appraise(file, {}).choices
    assert early.battery is not None
    assert late.battery is not None
    assert 80.0 > early.battery.mean_percent > late.battery.mean_percent > 60.0
    for each in (early, late):
        assert each.battery is not None
        cycles = 20_000 * 0.165 / 52
        use = BatteryUse(each.battery.mean_percent, 100 * 20_000 * 0.165 / 365 / 52, cycles)
        loss = capacity_loss(use, 8, [20.0])
        assert each.battery.loss_percent == pytest.approx(100 * loss.whole, rel=1e-3)
        a_year = loss.whole * 52 * 150 / 8
        assert each.ageing_cost == pytest.approx(a_year, rel=1e-3)
        assert each.year_cost == pytest.approx(
            each.cost + each.standing_charge_difference + each.ageing_cost
        )
        assert each.total_over_years == pytest.approx(8 * each.year_cost)
    plain = appraise(choices_file(*choices, driving=driving, tick_minutes=60), {})
    assert [each.ageing_cost for each in plain.choices] == [0.0, 0.0]
    (caution,) = [each for each in plain.cautions if "Schmalstieg" in each]
    assert "“at once”" in caution

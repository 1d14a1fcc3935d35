"""A minimum bill in a year's cost: charging that fills it up costs nothing more."""

from __future__ import annotations

from decimal import Decimal
from typing import Any

import pytest

from planners.appraisal.appraisal import ChoiceYear
from planners.appraisal.appraising import appraise
from tests.planners.appraised import choice, choices_file, flat

HOME = [{"kwh_per_day": 1.0}]


def year_of(**tariff: object) -> ChoiceYear:
    keys: dict[str, Any] = {"standing_charge": Decimal("0.50"), **tariff}
    file = choices_file(choice("A", flat("0.10", **keys)), home_use=HOME)
    return appraise(file, {}).choices[0]


def test_by_hand() -> None:
    """It fills up months whose minimum is never reached: all of the charge is spared.

    A year of 0.50 a day and 1 kWh a day at 0.10 comes to 219 without charging, 1.00 a day to 365.
    """
    free, high = year_of(), year_of(minimum_bill={"amount": Decimal(5), "per": "day"})
    assert free.minimum_bill_difference == 0
    assert high.minimum_bill_difference == pytest.approx(-high.cost)
    assert high.year_cost == pytest.approx(0, abs=1e-6)
    assert high.cost == pytest.approx(free.cost)


def test_a_minimum_that_charging_passes() -> None:
    """What was on top without charging is on top no more: 365 x (1.00 - 0.50 - 0.10)."""
    low = year_of(minimum_bill={"amount": Decimal(1), "per": "day"})
    assert low.minimum_bill_difference == pytest.approx(-365 * 0.40)
    assert low.year_cost == pytest.approx(low.cost - 365 * 0.40)


def test_of_energy_alone() -> None:
    """The standing charge does not count, and so 0.30 a day is 0.20 above the home's energy."""
    low = year_of(minimum_bill={"amount": Decimal("0.30"), "per": "day", "of": "energy"})
    assert low.minimum_bill_difference == pytest.approx(-365 * 0.20)

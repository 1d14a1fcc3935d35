"""A capacity charge in a year's cost, and the standing current that it makes worth its while."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, date, datetime
from decimal import Decimal
from typing import Any
from zoneinfo import ZoneInfo

import numpy as np
import pytest

from config.tariffs.capacity_charge import CapacityCharge
from config.tariffs.tariff import Tariff
from planners.appraisal.appraisal import Appraisal, ChoiceYear
from planners.appraisal.appraising import appraise
from planners.capacity.charge import CapacityPrice
from planners.year.capacity import year_capacity
from tests.planners.appraised import cheap_night, choice, choices_file, flat, point

BY_KW: dict[str, Any] = {"rate_per_kw": Decimal(6), "at_least_kw": 2.5}
HOME = [{"kwh_per_day": 9.6}]


def appraised(*, charge: dict[str, Any] | None, **keys: object) -> Appraisal:
    tariff = cheap_night(capacity_charge=charge) if charge else cheap_night()
    settable = point(switching="current", **keys)
    file = choices_file(choice("A", tariff, charge_point=settable), home_use=HOME)
    return appraise(file, {})


def only(found: Appraisal) -> ChoiceYear:
    return found.choices[0]


def test_by_hand() -> None:
    """Two days of one month and one of the next, in hours that count and in one that does not."""
    start = datetime(2027, 1, 30, tzinfo=UTC)
    charge = CapacityCharge.model_validate(
        {"rate_per_kw": 1, "highest_days": 2, "hours": ["00:00-12:00"]}
    )
    home = np.full(3 * 48, 0.25)  # half a kilowatt
    capacity = year_capacity(
        charge, CapacityPrice(rate_per_kw=10, highest_days=2), ZoneInfo("UTC"), (start, 30),
        days=(date(2027, 1, 30), date(2027, 2, 1)), home_kwh=home,
    )  # fmt: skip
    kwh = np.zeros(3 * 48)
    assert capacity.charge(kwh) == pytest.approx(10 * (0.5 + 0.5))
    kwh[4] = 3.0  # 30 January, 02:00 to 02:30: 3 kW in that hour
    kwh[48 + 6 : 48 + 8] = 1.0  # 31 January, 03:00 to 04:00: 2 kW
    kwh[48 + 30] = 9.0  # in the afternoon, which does not count
    kwh[96 + 2] = 2.0  # 1 February: 2 kW
    assert capacity.charge(kwh) == pytest.approx(10 * ((3.5 + 2.5) / 2 + 2.5))


def test_public_holidays_and_special_days() -> None:
    """Of 10 kW on New Year's Day, 8 on the day after and 5 on a Monday, only the last counts."""
    tariff = Tariff.model_validate(
        flat(
            special_days=[{"name": "second", "dates": ["01-02"]}],
            capacity_charge={"rate_per_kw": 1, "not_on": ["holiday", "second"]},
        )
    )
    assert tariff.capacity_charge is not None
    start = datetime(2027, 1, 1, tzinfo=UTC)
    kwh = np.zeros(5 * 24)
    kwh[[12, 36, 84]] = 10.0, 8.0, 5.0
    charged = [
        year_capacity(
            tariff.capacity_charge, CapacityPrice(rate_per_kw=1), ZoneInfo("UTC"), (start, 60),
            days=(date(2027, 1, 1), date(2027, 1, 5)), home_kwh=np.zeros_like(kwh), holidays=code,
        ).charge(kwh)
        for code in ("GB-ENG", None)
    ]  # fmt: skip
    assert charged == [5.0, 10.0]


def test_mean_of_months_goes_round_the_year() -> None:
    """Under a mean of two months each month counts in two bills: the sum is that of the months."""
    start = datetime(2027, 1, 1, tzinfo=UTC)
    charge = CapacityCharge.model_validate({"rate_per_kw": 1, "mean_of_months": 2})
    kwh = np.zeros(365 * 24)
    kwh[[100, 4000]] = 5.0, 8.0
    once, twice = (
        year_capacity(
            charge, CapacityPrice(rate_per_kw=1, bills=bills), ZoneInfo("UTC"), (start, 60),
            days=(date(2027, 1, 1), date(2027, 12, 31)), home_kwh=np.zeros_like(kwh),
        ).charge(kwh)
        for bills in (1, 2)
    )  # fmt: skip
    assert once == twice == pytest.approx(13.0)


def test_keeps_to_the_current_that_is_cheapest() -> None:
    """No other current of the charge point makes the year cheaper, the charge included."""
    found = only(appraised(charge=BY_KW))
    free = only(appraised(charge=None))
    assert found.kept_amps is not None
    assert free.kept_amps is None
    assert free.capacity_charge_difference == 0
    for amps in (8, 32):
        tried = only(appraised(charge=BY_KW, max_amps=float(amps), min_amps=float(min(amps, 6))))
        assert found.year_cost <= tried.year_cost + 1e-6
    assert found.year_cost == pytest.approx(found.cost + found.capacity_charge_difference)


def test_charge_is_that_of_the_current() -> None:
    """By hand: at the kept current, with 0.4 kW of the home, less the 2.5 kW that count anyway."""
    found = only(appraised(charge=BY_KW))
    assert found.kept_amps is not None
    peak = 0.4 + found.kept_amps * 0.23
    assert found.capacity_charge_difference == pytest.approx(
        12 * 6 * max(0.0, peak - 2.5), abs=0.01
    )


def test_says_what_it_keeps_to() -> None:
    """The assumptions name the current, and what the home's use is taken to be."""
    found = appraised(charge=BY_KW)
    kept = only(found).kept_amps
    assert any(
        line == f"A: charging keeps to {kept:g} A all year, which is the cheapest with its capacity"
        " charge."
        for line in found.assumptions
    )


def test_a_switched_point_pays_for_its_power() -> None:
    """A charge point that is only switched has no lower current: it pays for its full power."""
    file = choices_file(
        choice("A", cheap_night(capacity_charge=BY_KW)), choice("B", cheap_night()), home_use=HOME
    )
    first, second = appraise(file, {}).choices
    assert first.kept_amps is None
    assert first.capacity_charge_difference == pytest.approx(12 * 6 * (7.36 + 0.4 - 2.5), abs=0.01)
    assert second.capacity_charge_difference == pytest.approx(-12 * 6 * 2.5)
    assert replace(first, capacity_charge_difference=0).cost == pytest.approx(second.cost)

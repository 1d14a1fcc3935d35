"""A year of charging on a meter and a circuit of its own, beside the home on another tariff."""

from __future__ import annotations

from decimal import Decimal
from typing import Any

import pytest

from planners.appraisal.appraisal import Appraisal, ChoiceYear
from planners.appraisal.appraising import appraise
from tests.planners.appraised import cheap_night, choice, choices_file, flat, point

HOME = [{"kwh_per_day": 9.6}]
OWN: dict[str, Any] = {
    "name": "Controlled",
    "standing_charge": Decimal("0.20"),
    "bands": [{"name": "controlled", "rate": Decimal("0.15")}],
}


def years(*choices: dict[str, Any]) -> list[ChoiceYear]:
    return list(appraised(*choices).choices)


def appraised(*choices: dict[str, Any]) -> Appraisal:
    return appraise(choices_file(*choices, home_use=HOME), {})


def test_charging_is_paid_at_its_own_tariff_and_the_home_at_its_own() -> None:
    """The same energy at 0.15 instead of 0.28; the home pays what it paid, and 73 more stand."""
    one, own = years(
        choice("All at one rate", flat(standing_charge=Decimal(1))),
        choice("Own meter", flat(standing_charge=Decimal(1)), charging_tariff=OWN),
    )
    assert own.energy_kwh == pytest.approx(one.energy_kwh)
    assert own.cost == pytest.approx(0.15 * own.energy_kwh)
    assert own.tariff == "Controlled"
    assert (own.home_cost_difference, own.standing_charge) == pytest.approx((0, 365 * 1.20))
    assert one.year_cost - own.year_cost == pytest.approx(0.13 * own.energy_kwh - 73)


def test_nothing_is_charged_while_the_circuit_has_no_power() -> None:
    """With power by day only, when the car is away but for the evening, the cheap night is lost."""
    settable = point(switching="current", max_amps=10.0)
    by_day = settable | {"powered": [{"hours": ["07:00-22:00"]}]}
    night, day = years(
        choice("Night", cheap_night(), charge_point=settable),
        choice("Day", cheap_night(), charge_point=by_day),
    )
    assert {band.band for band in night.by_band} == {"night"}
    assert {band.band for band in day.by_band} == {"day"}
    assert (day.longest_day_km or 0) < (night.longest_day_km or 0)


def test_a_capacity_charge_does_not_count_a_meter_of_its_own() -> None:
    """Six amperes all year cost 12 x 6 x 1.38 kW; on its own meter charging adds nothing."""
    charge: dict[str, Any] = {"capacity_charge": {"rate_per_kw": Decimal(6)}}
    settable = point(switching="current")
    both, own = years(
        choice("One meter", cheap_night(**charge), charge_point=settable),
        choice("Own", cheap_night(**charge), charge_point=settable, charging_tariff=OWN),
    )
    assert both.capacity_charge_difference == pytest.approx(12 * 6 * 1.38)
    assert own.capacity_charge_difference == pytest.approx(0)
    assert own.kept_amps is None


def test_the_rate_at_which_another_choice_is_cheaper_counts_peaks() -> None:
    """The break-even rate of a tariff with a capacity charge is where both years cost the same."""
    charge: dict[str, Any] = {"capacity_charge": {"rate_per_kw": Decimal(3)}}
    slow = point(switching="current", max_amps=10.0)
    file = choices_file(
        choice("Flat", flat("0.40"), charge_point=slow),
        choice("Night", cheap_night("0.10", "0.40", **charge), charge_point=slow),
        home_use=HOME,
    )
    found = appraise(file, {})
    assert found.cheapest == "Night"
    assert found.break_even is not None
    at = found.break_even.rate.at
    assert at is not None
    again = choices_file(
        choice("Flat", flat("0.40"), charge_point=slow),
        choice("Night", cheap_night(f"{at:.6f}", "0.40", **charge), charge_point=slow),
        home_use=HOME,
    )
    flat_year, night_year = appraise(again, {}).choices
    assert night_year.total_over_years == pytest.approx(flat_year.total_over_years, abs=1)

"""A choice with several vehicles: what a second charge point or a larger supply is worth.

One night at a time, computed by hand. A day's trips take 22.08 kWh of the first vehicle and 11.04
kWh of the van; at 32 A (7.36 kW) and 16 A (3.68 kW) that is 3 hours each, without losses. From
00:00 to 04:00 a kWh costs 0.10, else 0.30.
"""

from __future__ import annotations

from decimal import Decimal
from itertools import pairwise
from typing import TYPE_CHECKING, Any

import numpy as np
import pytest
from pydantic import ValidationError

from config.choices.choices_file import ChoicesFile
from planners.appraisal.appraising import appraise
from planners.appraisal.home_case import cases_of
from planners.year.driving_days import driving_of
from tests.planners.appraised import choice, choices_file

if TYPE_CHECKING:
    from planners.appraisal.choice_case import Case
    from planners.year.results import YearResults

NIGHTS = 5
DRIVING = {
    "trips": [
        {"date": f"2027-06-{day:02}", "distance": "100 km", "leaves": "07:00", "returns": "18:00"}
        for day in range(7, 7 + NIGHTS)
    ],
    "margin_minutes": 0,
}
NO_LOSS = {"usable_kwh": 60.0, "charging_efficiency_percent": 100.0}
CAR = {**NO_LOSS, "kwh_per_100km": 22.08}
VAN = {**NO_LOSS, "kwh_per_100km": 11.04, "driving": DRIVING}
NIGHT = {
    "name": "Night",
    "bands": [
        {"name": "night", "rate": Decimal("0.10"), "hours": ["00:00-04:00"]},
        {"name": "day", "rate": Decimal("0.30")},
    ],
}
SETTABLE = {"charging_mode": 3, "max_amps": 32.0, "switching": "current"}
RELAY = {"charging_mode": 3, "max_amps": 16.0, "switching": "on_off", "min_rest_minutes": 0}


def behind(amps: float | None, *, van: bool = True, **keys: Any) -> dict[str, Any]:  # noqa: ANN401 - keys of a choice
    more: dict[str, Any] = {} if amps is None else {"amps_for_charging": amps}
    points = {"other_charge_points": {"van": RELAY}} if van else {}
    name = f"{amps} A" if van else "One charge point"
    own = {"charge_point": SETTABLE, "need_percent": 80.0}
    return choice(name, NIGHT, **own, **points, **more, **keys)


def file_with(*choices: dict[str, Any], **home: Any) -> ChoicesFile:  # noqa: ANN401 - keys of the home
    plain = choices_file(behind(None, van=False), driving=DRIVING, vehicle=CAR, timezone="UTC")
    given = plain.model_dump(exclude_unset=True) | {
        "other_vehicles": {"van": VAN},
        "choices": list(choices),
    }
    given["vehicle"], given["driving"] = {**CAR}, DRIVING
    given["appraisal"] = {
        "name": "Kowhai Cottage", "year": 2027, "timezone": "UTC", "currency": "NZD",
        "tick_minutes": 30, "keep_years": 8.0, "elsewhere_rate": Decimal("0.79"), **home,
    }  # fmt: skip
    return ChoicesFile.model_validate(given)


def simulated(file: ChoicesFile) -> list[tuple[Case, YearResults]]:
    names = (None, *file.other_vehicles)
    drivings = {name: driving_of(file.of_vehicle(name)) for name in names}
    trips = np.array([trip.kwh for each in drivings.values() for trip in each.trips])
    cases = cases_of(file, drivings, {})
    return [(case, case.simulate(trips[None, :])) for case in cases]


@pytest.mark.parametrize(
    ("amps", "cost"),
    [
        # Both at once: 33.12 kWh at night.
        (None, 33.12 * 0.10),
        (48.0, 33.12 * 0.10),
        # Fixed parts: 24 A (5.52 kW) take 4 hours for 22.08 kWh, and the relay has its 16 A.
        (40.0, 33.12 * 0.10),
        # Fixed parts of 16 A: 14.72 kWh at night and 7.36 kWh by day; the van at night. In turns
        # it is the same: 3 hours and 1 hour at night, and 2 hours of the van by day.
        (32.0, (22.08 + 3.68) * 0.10 + 7.36 * 0.30),
        # Parts do not fit (6 + 16 A). In turns, each at most at 20 A (4.6 kW): the first fills the
        # night, 18.4 kWh, and takes 3.68 kWh by day; all of the van's is by day. The van first: its
        # 3 hours, then 4.6 kWh of the first at night and 17.48 kWh by day.
        (20.0, 18.4 * 0.10 + (3.68 + 11.04) * 0.30),
    ],
)
def test_the_cost_of_a_night(amps: float | None, cost: float) -> None:
    """As computed by hand, for each of five nights; nothing is short."""
    [(_, results)] = simulated(file_with(behind(amps)))
    assert results.cost[0] == pytest.approx(NIGHTS * cost, abs=1e-9)
    assert results.energy_kwh[0] == pytest.approx(NIGHTS * 33.12)
    assert results.nights_short[0] == 0
    assert results.elsewhere_kwh[0] == 0


@pytest.mark.parametrize("amps", [48.0, 40.0, 32.0, 20.0])
def test_a_power_for_charging_is_as_good_as_its_current(amps: float) -> None:
    """On one phase; a year within kW costs what it costs within the amperes that make them."""
    within = behind(None, kw_for_charging=amps * 230 / 1000)
    (_, by_power), (_, by_current) = simulated(file_with(within, behind(amps)))
    assert by_power.cost[0] == pytest.approx(by_current.cost[0], abs=1e-6)
    assert by_power.energy_kwh[0] == pytest.approx(by_current.energy_kwh[0])


def test_a_vehicle_without_a_charge_point_is_charged_elsewhere() -> None:
    """Its 11.04 kWh a day cost the rate elsewhere, and no night of it is short."""
    appraisal = appraise(file_with(behind(40.0, van=False), behind(40.0)), {})
    one, two = appraisal.choices
    assert one.elsewhere_cost == pytest.approx(NIGHTS * 11.04 * 0.79)
    assert one.year_cost == pytest.approx(NIGHTS * (22.08 * 0.10 + 11.04 * 0.79))
    # A second charge point saves the difference of 0.69 on the van's energy.
    assert two.saves_per_year == pytest.approx(NIGHTS * 11.04 * (0.79 - 0.10))
    assert appraisal.cheapest == "40.0 A"
    assert [(each.vehicle, each.nights, each.nights_short) for each in one.vehicles] == [
        ("first vehicle", NIGHTS, 0),
        ("van", 0, 0),
    ]
    assert [each.energy_kwh for each in two.vehicles] == pytest.approx([110.4, 55.2])
    assert sum(each.energy_kwh for each in two.vehicles) == pytest.approx(two.energy_kwh)
    sentence = "One charge point: van has no charge point, and charges 55.2 kWh elsewhere."
    assert sentence in appraisal.cautions
    assert appraisal.distance_km == pytest.approx(2 * NIGHTS * 100)


def test_a_share_elsewhere_counts_once() -> None:
    """A quarter of the first vehicle's energy, and all of a van that has no charge point."""
    file = file_with(behind(40.0, van=False), behind(40.0), elsewhere_share_percent=25.0)
    one, two = appraise(file, {}).choices
    assert one.charged_elsewhere_kwh == pytest.approx(NIGHTS * (22.08 / 4 + 11.04))
    assert two.charged_elsewhere_kwh == pytest.approx(NIGHTS * (22.08 + 11.04) / 4)
    assert one.shared_elsewhere_kwh == pytest.approx(NIGHTS * 22.08 / 4)
    assert one.energy_kwh == pytest.approx(NIGHTS * 22.08 * 0.75)


def test_a_larger_current_never_costs_more() -> None:
    """From 16 A to enough for both, the year costs the same or less with each ampere."""
    file = file_with(*(behind(float(amps)) for amps in (16, 20, 24, 32, 36, 40, 44, 48)))
    found = simulated(file)
    assert all(case.choice.amps_for_charging is not None for case, _ in found)
    assert all(results.nights_short[0] == 0 for _, results in found)
    costs = [float(results.cost[0]) for _, results in found]
    assert costs[0] > costs[-1]
    assert all(more <= less + 1e-9 for less, more in pairwise(costs))


@pytest.mark.parametrize(
    ("given", "home", "fault"),
    [
        (behind(40.0, van=False), {"elsewhere_rate": None}, "expected a charge point of van, or"),
        (behind(10.0), {}, "expected at least the lowest current of the charge point of van, 16 A"),
        (
            behind(40.0) | {"other_charge_points": {"van": RELAY, "bus": RELAY}},
            {},
            "expected one of other_vehicles: van",
        ),
    ],
)
def test_what_does_not_fit_is_refused(
    given: dict[str, Any], home: dict[str, Any], fault: str
) -> None:
    """A missing price, too small a current, an unknown vehicle."""
    with pytest.raises(ValidationError) as raised:
        file_with(given, **home)
    assert fault in str(raised.value)

"""What `lullwatt check` says of a tariff whose rate is the sum of components."""

from __future__ import annotations

from datetime import date
from decimal import Decimal
from typing import Any

from daemon.check.composition import explain_composition
from daemon.check.tariff import explain_tariffs
from daemon.control.state import House
from planners.rates.prices import prices_of
from tests.planners.households import band
from tests.planners.planned import DemoHousehold, utc

EVENING = utc("2026-06-03T06:30:00")  # 18:30 in Auckland
COMPOSED: dict[str, Any] = {
    "name": "Composed",
    "standing_charge": Decimal(2),
    "tiers_per": "month",
    "usual_kwh": Decimal(300),
    "components": [
        {
            "name": "network",
            "bands": [band("busy", "0.12", hours=["17:00-21:00"]), band("quiet", "0.04")],
        },
        {"name": "energy", "rate": Decimal("0.11")},
        {"name": "levy", "rate": Decimal("0.002"), "valid_to": date(2026, 6, 30)},
    ],
    "percentages": [
        {"name": "discount", "percent": Decimal(-10), "on": ["energy"], "months": [6, 7]},
        {
            "name": "GST",
            "tiers": [{"percent": Decimal(5), "up_to_kwh": Decimal(200)}, {"percent": Decimal(15)}],
            "valid_from": date(2026, 1, 1),
        },
    ],
}


def house_of(*tariffs: dict[str, Any]) -> House:
    file = DemoHousehold(None, tariffs).file()
    return House(file, prices_of(file, {}))


def test_each_component_and_percentage_is_explained() -> None:
    lines = [line.strip() for line in explain_tariffs(house_of(COMPOSED), EVENING)]
    assert [
        line for line in lines if not line.startswith(("17:00", "Every other", "The hours"))
    ] == [
        "",
        "Tariffs, tax included:",
        "Composed, in force now:",
        "Standing charge: 2 NZD a day.",
        "A kWh costs the sum of what follows.",
        "network:",
        "busy: 0.12 NZD per kWh.",
        "quiet: 0.04 NZD per kWh.",
        "Public holidays are treated as ordinary days: no band lists holiday.",
        "energy: 0.11 NZD per kWh.",
        "levy, until 30 June 2026: 0.002 NZD per kWh.",
        "discount: -10 % of energy, in June and July.",
        "GST: 5 % up to 200 kWh a month, then 15 % of all above, from 1 January 2026.",
    ]


def test_a_kwh_is_listed_as_on_a_bill() -> None:
    assert list(explain_composition(house_of(COMPOSED), EVENING)) == [
        "",
        "A kWh on Wed 03 Jun at 18:30, NZD:",
        "  network (busy)                             0.12000",
        "  energy                                     0.11000",
        "  levy                                       0.00200",
        "  discount -10 %                            -0.01100",
        "  GST 15 %                                   0.03315",
        "  in all                                     0.25415",
    ]


def test_a_tariff_that_is_not_composed_needs_no_list() -> None:
    plain = {"name": "One rate", "bands": [band("all day")]}
    assert list(explain_composition(house_of(plain), EVENING)) == []


def test_fees_are_explained_and_summed_up() -> None:
    meter = {"name": "meter", "amount": Decimal(6), "per": "month", "valid_from": date(2026, 1, 1)}
    lines = [
        line.strip() for line in explain_tariffs(house_of(COMPOSED | {"fees": [meter]}), EVENING)
    ]
    assert lines[3:6] == [
        "Standing charge: 2 NZD a day, before percentages.",
        "meter: 6 NZD a month, from 1 January 2026.",
        "Standing charge and fees are 2.2 NZD today, tax included.",
    ]

"""Plans at a charge point with a meter of its own, or on a circuit that has power at times."""

from __future__ import annotations

from datetime import date
from decimal import Decimal

import pytest

from planners.plan.plan import Plan
from planners.power.circuits import has_power
from planners.rates.prices import prices_of
from tests.planners.households import band, bands
from tests.planners.planned import DemoHousehold, spans_of, utc

HOME = bands(band("all", "0.30"), name="Home", standing_charge=Decimal(1))
CONTROLLED = bands(
    band("night", "0.10", hours=["22:00-07:00"]), band("day", "0.18"),
    name="Controlled", standing_charge=Decimal("0.20"),
)  # fmt: skip
EVENING = "2026-06-03T06:30:00"
"""A Wednesday, 18:30 by the household's clock."""


def own(**point: object) -> DemoHousehold:
    """Make a household whose only charge point has a meter of its own."""
    return DemoHousehold(tariffs=(HOME, CONTROLLED), point={"tariff": "Controlled", **point})


def planned(soc: float, at: str = EVENING, **point: object) -> Plan:
    return own(**point).plan(soc, at)


def test_it_is_planned_at_the_rates_of_its_own_meter() -> None:
    """In the cheap hours of the controlled tariff, and at their rate; the home's is flat."""
    plan = planned(50.0)
    assert spans_of(plan)[0][0] == "10:00:00"  # 22:00 local
    assert plan.cost == pytest.approx(0.10 * plan.energy_kwh)
    assert plan.tariff == "Controlled"
    assert DemoHousehold(tariffs=(HOME,)).plan(50.0, EVENING).cost == pytest.approx(
        0.30 * plan.energy_kwh
    )


def test_nothing_is_planned_while_the_circuit_has_no_power() -> None:
    """Its cheapest hours begin at 22:00; with power from 23:00 on, charging does. It says so."""
    plan = planned(50.0, powered=[{"hours": ["23:00-07:00"]}])
    assert spans_of(plan)[0][0] == "11:00:00"
    hours = "The circuit of driveway has power only 23:00 to 07:00 every day (powered)"
    assert f"{hours}: charging is planned only then." in plan.why
    assert not any("(powered)" in sentence for sentence in planned(50.0).why)


def test_a_short_circuit_time_is_a_shortfall() -> None:
    """Two hours at 32 A are 14.72 kWh; the rest is missing, whatever the rates are."""
    plan = planned(5.0, powered=[{"hours": ["01:00-03:00"]}])
    assert plan.energy_kwh == pytest.approx(2 * 32 * 0.23)
    assert plan.shortfall is not None
    assert any("whenever its circuit has power" in sentence for sentence in plan.why)


@pytest.mark.parametrize(
    ("clock", "instant", "on"),
    [
        # In January the local clock of Auckland is an hour ahead of standard time.
        ("wall", "2027-01-11T09:30:00", True),  # 22:30 local, 21:30 standard
        ("standard", "2027-01-11T09:30:00", False),
        ("standard", "2027-01-11T10:00:00", True),
        ("standard", "2026-06-03T09:59:00", False),  # 21:59 in winter
        ("standard", "2026-06-03T10:00:00", True),
    ],
)
def test_the_circuit_follows_the_clock_of_its_tariff(clock: str, instant: str, *, on: bool) -> None:
    """A switch in a meter that ignores daylight saving switches an hour later in summer."""
    given = DemoHousehold(
        tariffs=(HOME, CONTROLLED | {"clock": clock}),
        point={"tariff": "Controlled", "powered": [{"hours": ["22:00-07:00"]}]},
    )
    assert has_power(given.file(), "driveway", utc(instant)) is on


def test_powered_hours_may_differ_by_day_and_month() -> None:
    """Power from 22:00 every day, and at weekends of June all afternoon."""
    powered = [
        {"hours": ["22:00-07:00"]},
        {"hours": ["12:00-18:00"], "days": ["sat", "sun"], "months": [6]},
    ]
    file = own(powered=powered).file()
    instants = {
        "2026-06-06T01:00:00": True,  # Saturday 13:00
        "2026-06-05T01:00:00": False,  # Friday
        "2026-07-04T01:00:00": False,  # a Saturday of July
    }
    assert {text: has_power(file, "driveway", utc(text)) for text in instants} == instants


def test_each_meter_has_its_dated_tariffs() -> None:
    """The home's tariffs and the circuit's own change on different days."""
    later = bands(band("all", "0.12"), name="Controlled 2027", valid_from=date(2027, 7, 1))
    home_later = bands(band("all", "0.33"), name="Home 2027", valid_from=date(2027, 4, 1))
    given = DemoHousehold(
        tariffs=(HOME, CONTROLLED, home_later, later),
        point={"tariff": ["Controlled", "Controlled 2027"]},
    )
    prices = prices_of(given.file(), {})
    own_prices = prices.at("driveway")
    noon = [utc("2027-03-10T00:00:00"), utc("2027-05-10T00:00:00"), utc("2027-07-10T00:00:00")]
    assert [str(prices.rate_at(at).rate) for at in noon] == ["0.30", "0.33", "0.33"]
    assert [str(own_prices.rate_at(at).rate) for at in noon] == ["0.18", "0.18", "0.12"]
    assert prices.at("elsewhere") is prices
    assert own_prices.at("driveway") is own_prices

"""Rates of components and percentages, against a published bill and the German prices of 2018.

Source of the bill: Enygas (Spain), "Explicación de una factura eléctrica paso a paso": three bands
of energy and two of contracted power, an electricity tax of 5.113 % on both, the rent of the meter,
and 10 % of value added tax on everything; EUR 58.18 in all, each line rounded to the cent.
"""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from decimal import Decimal
from zoneinfo import ZoneInfo

import numpy as np

from planners.rates.prices import prices_of
from tests.outside.day_ahead_2018 import BERLIN, price_points
from tests.planners.households import band, bands, household

MADRID = ZoneInfo("Europe/Madrid")
HOUR = timedelta(hours=1)

KWH = {"punta": 66, "llano": 110, "valle": 44}
DAYS = 30
POWER_A_DAY = Decimal("4.4") * (Decimal("0.0938") + Decimal("0.0126"))
RENT_A_DAY = Decimal("0.027")


def test_a_published_bill_adds_up() -> None:
    """The electricity tax is on energy and power, and not on the rent of the meter."""
    electricity_tax = {"name": "electricity tax", "percent": Decimal("5.113")}
    taxes = [
        {**electricity_tax, "on": ["energy", "standing_charge"]},
        {"name": "value added tax", "percent": Decimal(10)},
    ]
    # The hours of the 2.0TD tariff, from memory; the bill gives energies by band, not by hour.
    busy = ["10:00-14:00", "18:00-22:00"]
    weekdays = ["mon", "tue", "wed", "thu", "fri"]
    tariff = bands(
        band("punta", "0.2404", hours=busy, days=weekdays),
        band("llano", "0.1419", hours=["08:00-10:00", "14:00-18:00", "22:00-24:00"], days=weekdays),
        band("valle", "0.0917"),
        percentages=taxes,
        standing_charge=POWER_A_DAY,
        fees=[{"name": "rent of the meter", "amount": RENT_A_DAY, "per": "day"}],
    )
    prices = prices_of(household("Europe/Madrid", [tariff]), {})
    day = datetime(2026, 3, 2, tzinfo=MADRID)
    rates = {span.band: span.rate for span in prices.spans(day, day + 24 * HOUR)}
    energy = sum(rates[name] * kwh for name, kwh in KWH.items())
    fixed = DAYS * prices.standing_charge(day.date())
    assert abs(energy + fixed - Decimal("58.18")) < Decimal("0.01")


def test_a_year_of_market_prices_with_a_network_fee_equals_the_sum_of_its_hours() -> None:
    """Every hour of 2018: the published price, a fee by the Berlin clock, and a changed tax."""
    fee = [band("high", "0.08", hours=["06:00-22:00"]), band("low", "0.03")]
    components = [
        {"name": "market", "prices": {"file": "prices.csv", "multiply": Decimal("0.001")}},
        {"name": "network", "bands": fee},
    ]
    vat = [
        {"name": "VAT", "percent": Decimal(19), "months": [1, 2, 3, 4, 5, 6]},
        {"name": "VAT", "percent": Decimal(16), "months": [7, 8, 9, 10, 11, 12]},
    ]
    tariff = {"name": "Composed", "components": components, "percentages": vat}
    points = price_points()
    prices = prices_of(household("Europe/Berlin", [tariff]), {"Composed": points})
    grid = prices.grid(points[0].start, len(points), 60)
    expected = []
    for point in points:
        local = point.start.astimezone(BERLIN)
        network = 0.08 if 6 <= local.hour < 22 else 0.03
        expected.append((float(point.rate) / 1000 + network) * (1.19 if local.month < 7 else 1.16))
    np.testing.assert_allclose(grid.rates, expected, rtol=0, atol=1e-12)
    assert prices.known_until(points[0].start) == points[-1].start.astimezone(UTC) + HOUR

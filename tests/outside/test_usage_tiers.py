"""Rates that change with use, against worked bills that a municipal supplier has published.

Source: City of Seymour (Wisconsin), "Residential Electricity: Bill Comparison", a page of its
utilities department. A bill has blocks of the month's energy, a power cost on every kWh, a base
charge a month, and 1 % of tax on the sum.
"""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from decimal import Decimal
from typing import Any
from zoneinfo import ZoneInfo

import pytest

from planners.accounts.accounts import account, energy_until
from planners.accounts.money import round_money
from planners.accounts.register import RegisterReading
from planners.rates.prices import prices_of
from planners.rates.tiered_spans import spans_by_use
from tests.planners.households import bands, household

CHICAGO = ZoneInfo("America/Chicago")
POWER_COST = Decimal("0.085")
BASE = Decimal("7.50")
TAX = Decimal("1.01")

WINTER = ((250, "0.064"), (700, "0.049"), (None, "0.0446"))
SUMMER = ((250, "0.064"), (700, "0.049"), (1250, "0.0475"), (None, "0.0446"))


def tiers(blocks: tuple[tuple[int | None, str], ...]) -> list[dict[str, Any]]:
    rows = [(end, Decimal(rate) + POWER_COST) for end, rate in blocks]
    return [
        {"rate": rate} if end is None else {"rate": rate, "up_to_kwh": Decimal(end)}
        for end, rate in rows
    ]


@pytest.mark.parametrize(
    ("blocks", "month", "kwh", "published"),
    [(WINTER, 1, 1200, "171.55"), (SUMMER, 7, 2000, "277.88")],
)
def test_a_month_comes_to_the_published_bill(
    blocks: tuple[tuple[int | None, str], ...], month: int, kwh: int, published: str
) -> None:
    """The month's energy through a register, day by day, with base charge and tax, to the cent."""
    use = {"tiers_per": "month", "usual_kwh": Decimal(0)}
    tariff = bands({"name": "all", "tiers": tiers(blocks)}, tax_percent=Decimal(1), **use)
    prices = prices_of(household("America/Chicago", [tariff]), {})
    start = datetime(2026, month, 1, tzinfo=CHICAGO).astimezone(UTC)
    end = datetime(2026, month + 1, 1, tzinfo=CHICAGO).astimezone(UTC)
    hours = int((end - start) / timedelta(hours=1))
    readings = [
        RegisterReading(start + i * timedelta(hours=1), 1000 * kwh * i // hours)
        for i in range(hours + 1)
    ]
    spans = spans_by_use(prices, start, end, energy_until(readings, 50.0, gap_minutes=60))
    energy = account(readings, spans, 50.0, gap_minutes=60).cost
    # The page rounds each block to the cent before it adds; half a cent each is the most.
    assert abs(round_money(energy + BASE * TAX, 2) - Decimal(published)) <= Decimal("0.01")

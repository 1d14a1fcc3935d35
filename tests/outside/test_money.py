"""Money against sources that are not ours; each is named in `tests/data/outside_money.json`."""

from __future__ import annotations

import json
from datetime import UTC, datetime, timedelta
from decimal import ROUND_HALF_UP, Decimal
from pathlib import Path
from typing import Any

import pytest

from planners.accounts import RegisterReading, account
from planners.money import format_money, round_money
from planners.prices import prices_of
from tests.planners.households import band, bands, household

CASES: dict[str, Any] = json.loads(
    (Path(__file__).parents[1] / "data" / "outside_money.json").read_text(encoding="utf-8"),
    parse_float=Decimal,
)
START = datetime(2026, 1, 1, tzinfo=UTC)
DAY = timedelta(days=1)
PENCE = Decimal(100)


def bill(
    kwh: int, pence_per_kwh: Decimal, days: int, pence_per_day: Decimal, vat: int = 0
) -> Decimal:
    """Pounds for some days of one register and one rate, through prices and accounts."""
    tariff = bands(
        band("all", str(pence_per_kwh / PENCE)),
        standing_charge=pence_per_day / PENCE,
        tax_percent=Decimal(vat),
    )
    prices = prices_of(household("Europe/London", [tariff]), {})
    readings = [
        RegisterReading(START + day * DAY, 1_000 * kwh * day // days) for day in range(days + 1)
    ]
    energy = account(readings, prices.spans(START, START + days * DAY), max_kw=7.36)
    standing = [prices.standing_charge((START + day * DAY).date()) for day in range(days)]
    return energy.cost + sum(standing, Decimal(0))


@pytest.mark.parametrize(
    (
        "rate",
        "standing",
        "gas_rate",
        "gas_standing",
        "kwh",
        "gas_kwh",
        "days",
        "exact",
        "published",
    ),
    [row[1:] for row in CASES["annual_bills"]],
    ids=[row[0] for row in CASES["annual_bills"]],
)
def test_a_typical_year_comes_to_the_published_bill(  # noqa: PLR0917 - one row of the source
    rate: Decimal,
    standing: Decimal,
    gas_rate: Decimal,
    gas_standing: Decimal,
    kwh: int,
    gas_kwh: int,
    days: int,
    exact: str,
    published: int,
) -> None:
    """Ofgem's typical household: exact as computed, within a pound of what was published."""
    total = bill(kwh, rate, days, standing) + bill(gas_kwh, gas_rate, days, gas_standing)
    assert total == Decimal(exact)
    assert abs(total - published) <= 1


def test_a_small_bill_comes_to_the_published_total() -> None:
    """350 kWh and 30 days with 5 percent tax on both are 119.28 pounds; without tax 113.60."""
    case = CASES["small_bill"]
    use = (case["kWh"], Decimal(case["p_per_kWh"]), case["days"], Decimal(case["p_per_day"]))
    assert bill(*use) == Decimal(case["net_gbp"])
    assert bill(*use, vat=5) == Decimal(case["gross_gbp"])
    assert format_money(bill(*use, vat=5), "GBP") == "GBP 119.28"


@pytest.mark.parametrize(("code", "minor_units"), CASES["minor_units"].items())
def test_amounts_have_the_decimals_of_iso_4217(code: str, minor_units: int) -> None:
    """ISO 4217: 1.23456 is written with 0, 2, 3 or 4 decimals."""
    written = format_money(Decimal("1.23456"), code)
    exact = Decimal("1.23456").quantize(Decimal(1).scaleb(-minor_units))
    assert written == f"{code} {exact}"


@pytest.mark.parametrize(("net", "published"), CASES["vat_lines"])
def test_rounding_differs_from_a_tax_line_in_exact_halves_only(net: str, published: str) -> None:
    """HMRC rounds half a penny up, we round it to even: no other amount may come out otherwise."""
    tax = Decimal(net) * 5 / 100
    half_up = tax.quantize(Decimal("0.01"), rounding=ROUND_HALF_UP)
    assert half_up == Decimal(published)
    ours = round_money(tax, 2)
    exact_half = (tax * 1000) % 10 == 5 and tax * 1000 == int(tax * 1000)
    assert ours == half_up or (exact_half and half_up - ours == Decimal("0.01"))

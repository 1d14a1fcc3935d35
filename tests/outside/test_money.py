"""Money against sources that are not ours; each is named in `tests/data/outside_money.json`."""

from __future__ import annotations

import json
from datetime import UTC, date, datetime, time, timedelta
from decimal import ROUND_HALF_UP, Decimal
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo

import pytest

from config.fields.currencies import minor_units
from planners.accounts.accounts import account
from planners.accounts.money import format_money, round_money
from planners.accounts.register import RegisterReading
from planners.local_time.conversion import instant_of_local
from planners.rates.prices import prices_of
from tests.planners.households import band, bands, household

CASES: dict[str, Any] = json.loads(
    (Path(__file__).parents[1] / "data" / "outside_money.json").read_text(encoding="utf-8"),
    parse_float=Decimal,
)
START = datetime(2026, 1, 1, tzinfo=UTC)
DAY = timedelta(days=1)
HALF_HOUR = timedelta(minutes=30)
LONDON = ZoneInfo("Europe/London")
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


def metered_bill(
    tariff: dict[str, Any], first: date, days: int, kwh: int
) -> tuple[Decimal, dict[str, int]]:
    """Pounds and watt-hours by band for some local days in London, read every half hour."""
    prices = prices_of(household("Europe/London", [tariff]), {})
    dates = [first + day * DAY for day in range(days)]
    start = instant_of_local(dates[0], time.min, LONDON)
    end = instant_of_local(dates[-1] + DAY, time.min, LONDON)
    steps = (end - start) // HALF_HOUR
    readings = [
        RegisterReading(start + i * HALF_HOUR, 1_000 * kwh * i // steps) for i in range(steps + 1)
    ]
    energy = account(readings, prices.spans(start, end), max_kw=7.36, gap_minutes=30)
    assert energy.estimated_wh == 0
    standing = sum((prices.standing_charge(day) for day in dates), Decimal(0))
    return energy.cost + standing, {line.band: line.wh for line in energy.by_band}


@pytest.mark.parametrize(
    ("rate", "standing", "kwh", "days", "gas", "published"),
    [(row[1], row[2], row[5], row[7], (row[3], row[4], row[6]), row[9])
     for row in CASES["annual_bills"]],
    ids=[row[0] for row in CASES["annual_bills"]],
)  # fmt: skip
def test_a_year_of_half_hours_comes_to_the_published_bill(  # noqa: PLR0917 - a row of the source
    rate: Decimal, standing: Decimal, kwh: int, days: int,
    gas: tuple[Decimal, Decimal, int], published: int,
) -> None:  # fmt: skip
    """Ofgem's typical household from 1 March, over both clock changes: 17,520 readings.

    All of it is metered, and there is one standing charge for each local day, of 23 and 25 hours
    too.
    """
    pounds, by_band = metered_bill(
        bands(band("all", str(rate / PENCE)), standing_charge=standing / PENCE),
        date(2026, 3, 1), days, kwh,
    )  # fmt: skip
    gas_rate, gas_standing, gas_kwh = gas
    assert by_band == {"all": 1000 * kwh}
    assert abs(pounds + bill(gas_kwh, gas_rate, days, gas_standing) - published) <= 1


def test_a_night_band_shares_the_typical_year_by_its_hours() -> None:
    """A flat 2,700 kWh and a band 23:30 to 05:30: the clock puts an hour out, and one back.

    Computed: 365 x 6 hours, less one in spring, one more in autumn, of 8,760.
    """
    tariff = bands(band("low", "0.07", hours=["23:30-05:30"]), band("high", "0.25"))
    pounds, by_band = metered_bill(tariff, date(2026, 3, 1), 365, 2700)
    assert by_band["low"] + by_band["high"] == 2_700_000
    assert by_band["low"] == pytest.approx(2_700_000 / 4, abs=1)
    assert pounds == (by_band["low"] * Decimal("0.07") + by_band["high"] * Decimal("0.25")) / 1000


def test_a_small_bill_comes_to_the_published_total() -> None:
    """350 kWh and 30 days with 5 percent tax on both are 119.28 pounds; without tax 113.60."""
    case = CASES["small_bill"]
    use = (case["kWh"], Decimal(case["p_per_kWh"]), case["days"], Decimal(case["p_per_day"]))
    assert bill(*use) == Decimal(case["net_gbp"])
    assert bill(*use, vat=5) == Decimal(case["gross_gbp"])
    assert format_money(bill(*use, vat=5), "GBP") == "GBP 119.28"


@pytest.mark.parametrize("first", [date(2026, 6, 1), date(2026, 3, 10), date(2026, 10, 10)])
def test_a_small_bill_is_the_same_over_a_clock_change(first: date) -> None:
    """350 kWh in 30 days are 119.28 pounds whether they have 719, 720 or 721 hours."""
    case = CASES["small_bill"]
    tariff = bands(
        band("all", str(case["p_per_kWh"] / PENCE)),
        standing_charge=case["p_per_day"] / PENCE, tax_percent=Decimal(5),
    )  # fmt: skip
    pounds, _ = metered_bill(tariff, first, case["days"], case["kWh"])
    assert pounds == Decimal(case["gross_gbp"])


@pytest.mark.parametrize(("code", "decimals"), CASES["minor_units"].items())
def test_amounts_have_the_decimals_of_iso_4217(code: str, decimals: int) -> None:
    """ISO 4217: 1.23456 is written with 0, 2, 3 or 4 decimals."""
    written = format_money(Decimal("1.23456"), code)
    exact = Decimal("1.23456").quantize(Decimal(1).scaleb(-decimals))
    assert written == f"{code} {exact}"


@pytest.mark.parametrize("code", ["JPY", "NZD", "KWD", "CLF"])
@pytest.mark.parametrize(("number", "published"), CASES["half_even"])
def test_a_half_goes_to_the_even_unit_at_each_currency_s_decimals(
    number: str, published: str, code: str
) -> None:
    """The published table of half-even, moved to units of 1, 0.01, 0.001 and 0.0001 (ISO 4217)."""
    units = CASES["minor_units"].get(code, 2)
    rounded = round_money(Decimal(number).scaleb(-units), minor_units(code))
    assert rounded == Decimal(published).scaleb(-units)
    assert format_money(Decimal(number).scaleb(-units), code) == f"{code} {rounded}"


@pytest.mark.parametrize(("net", "published"), CASES["vat_lines"])
def test_rounding_differs_from_a_tax_line_in_exact_halves_only(net: str, published: str) -> None:
    """HMRC rounds half a penny up, we round it to even: no other amount may come out otherwise."""
    tax = Decimal(net) * 5 / 100
    half_up = tax.quantize(Decimal("0.01"), rounding=ROUND_HALF_UP)
    assert half_up == Decimal(published)
    ours = round_money(tax, 2)
    exact_half = (tax * 1000) % 10 == 5 and tax * 1000 == int(tax * 1000)
    assert ours == half_up or (exact_half and half_up - ours == Decimal("0.01"))

"""Cautions about figures of a tariff in another unit than the file's."""

from __future__ import annotations

from decimal import Decimal
from typing import TYPE_CHECKING, Any

import pytest

from config.files.price_series import PricePoint
from daemon.check.explain import explain_unwrapped
from daemon.control.state import House
from planners.rates.prices import prices_of
from planners.rates.tariff_cautions import known_rates, tariff_cautions
from tests.planners.households import band, bands, series
from tests.planners.planned import THREE_BANDS, DemoHousehold, minutes, utc

if TYPE_CHECKING:
    from config.household.household_file import HouseholdFile

START = utc("2026-06-02T00:00")


def file_of(currency: str, *tariffs: dict[str, Any]) -> HouseholdFile:
    return DemoHousehold({"currency": currency}, tariffs).file()


def cautions_of(currency: str, rate: str, tax: str = "0") -> tuple[str, ...]:
    tariff = bands(band("day", rate), name="Standard", tax_percent=Decimal(tax))
    return tariff_cautions(file_of(currency, tariff), {})


def said_of_series(currency: str, *prices: str, **keys: object) -> tuple[str, ...]:
    file = file_of(currency, series(**keys))
    points = [PricePoint(START + minutes(60 * i), Decimal(p)) for i, p in enumerate(prices)]
    return tariff_cautions(file, known_rates(prices_of(file, {"Series": points})))


@pytest.mark.parametrize(
    ("currency", "rate", "guess"),
    [
        ("GBP", "27", "rates are in GBP, not pence: 0.27?"),
        ("GBP", "7.5", "rates are in GBP, not pence: 0.075?"),
        ("NZD", "30.5", "rates are in NZD, not cents: 0.305?"),
        ("EUR", "168", "rates are per kWh, not per MWh: 0.168?"),
        ("EUR", "-76.01", "rates are per kWh, not per MWh: -0.07601?"),
        ("USD", "0.000168", "rates are per kWh, not per Wh: 0.168?"),
        ("DKK", "250", "rates are in DKK, not øre: 2.5?"),
        ("JPY", "31000", "rates are per kWh, not per MWh: 31?"),
        ("JPY", "0.2", "rates are per kWh, not per Wh: 200?"),
        ("BRL", "65", "rates are in BRL, not centavos: 0.65?"),
        ("KES", "2500", "rates are in KES, not cents: 25?"),
        ("UYU", "320", "rates are in UYU, not centésimos: 3.2?"),
    ],
)
def test_what_was_probably_meant_is_said(currency: str, rate: str, guess: str) -> None:
    """The unit in which the figure would be nearest to what a kWh usually costs."""
    assert cautions_of(currency, rate) == (
        f"Rate {rate} {currency} per kWh in band day of Standard is implausible; {guess}",
    )


@pytest.mark.parametrize("sign", ["", "-"])
@pytest.mark.parametrize(
    ("currency", "least", "most"),
    [
        ("GBP", "0.005", "2"),
        ("SEK", "0.05", "20"),
        ("INR", "0.5", "200"),
        ("KRW", "5", "2000"),
        ("VND", "50", "20000"),
    ],
)
def test_the_limits_are_plausible_and_nothing_beyond_is(
    currency: str, least: str, most: str, sign: str
) -> None:
    """From 0.005 to 2 of a major unit, tenfold or a hundredfold and more where money is smaller."""
    assert cautions_of(currency, f"{sign}{least}") == cautions_of(currency, f"{sign}{most}") == ()
    assert len(cautions_of(currency, f"{sign}{Decimal(least) * Decimal('0.999')}")) == 1
    assert len(cautions_of(currency, f"{sign}{Decimal(most) * Decimal('1.001')}")) == 1


def test_a_rate_is_judged_with_its_tax() -> None:
    """1.9 with 15 % of tax is 2.185: the figure of the file is named, which lacks the tax."""
    assert cautions_of("NZD", "1.9") == ()
    (caution,) = cautions_of("NZD", "1.9", tax="15")
    assert caution.startswith("Rate 1.9 NZD per kWh in band day of Standard is implausible; ")


def test_nothing_is_free_and_nothing_is_guessed() -> None:
    """A rate of 0 is plausible; a figure that no unit explains gets no guess."""
    assert cautions_of("GBP", "0") == ()
    assert cautions_of("GBP", "900000") == (
        "Rate 900000 GBP per kWh in band day of Standard is implausible.",
    )


def test_a_currency_that_is_not_known_gets_no_caution() -> None:
    """Nobody guesses what a kWh costs in a currency that is not in the table."""
    assert cautions_of("AOA", "150000") == cautions_of("CVE", "0.00001") == ()


def test_every_tier_is_judged() -> None:
    """The second tier in cents, the first in dollars."""
    tiers = [{"rate": Decimal("0.2"), "up_to_kwh": Decimal(8)}, {"rate": Decimal(30)}]
    tariff = bands({"name": "all", "tiers": tiers}, tiers_per="day", usual_kwh=Decimal(7))
    assert tariff_cautions(file_of("NZD", tariff), {}) == (
        (
            "Rate 30 NZD per kWh in band all of Bands is implausible; rates are in NZD, not cents:"
            " 0.3?"
        ),
    )


def test_a_standing_charge_above_ten_a_day_is_doubted() -> None:
    """54.75 pence, or 30 euros a month; ten of a major unit with tax are still believed."""

    def charged(currency: str, charge: str, tax: str = "0") -> tuple[str, ...]:
        tariff = bands(
            band("all", "20" if currency == "JPY" else "0.2"),
            standing_charge=Decimal(charge), tax_percent=Decimal(tax),
        )  # fmt: skip
        return tariff_cautions(file_of(currency, tariff), {})

    assert charged("GBP", "54.75") == (
        (
            "Standing charge 54.75 GBP a day of Bands is implausible; if it is in pence, 0.5475?"
            " if it is for a month, 1.8?"
        ),
    )
    assert charged("GBP", "10") == charged("JPY", "1000") == ()
    assert len(charged("GBP", "9.9", tax="5")) == 1
    assert charged("JPY", "1500") == (
        "Standing charge 1500 JPY a day of Bands is implausible; if it is for a month, 49.3151?",
    )


def test_a_band_that_no_hour_is_left_for_is_named() -> None:
    """The rest of nothing, in whatever currency; a band of public holidays only is used."""
    unused = bands(band("all", "1", hours=["00:00-24:00"]), band("rest", "1"))
    assert tariff_cautions(file_of("AOA", unused), {}) == (
        "Band rest of Bands is never used: the other bands name every hour.",
    )
    week = ["mon", "tue", "wed", "thu", "fri", "sat", "sun"]
    used = bands(band("all", "1", hours=["00:00-24:00"], days=week), band("rest", "1"))
    assert len(tariff_cautions(file_of("AOA", used), {})) == 1
    holidays = bands(
        band("all", "1", hours=["00:00-24:00"], days=week),
        band("free", "1", hours=["00:00-12:00"], days=["holiday"]), band("rest", "1"),
    )  # fmt: skip
    file = DemoHousehold({"currency": "AOA", "public_holidays": "NZ"}, [holidays]).file()
    assert tariff_cautions(file, {}) == ()


def test_a_series_is_judged_once_by_its_largest_rate() -> None:
    """Prices per MWh: one caution for all of them, with the factor that is missing."""
    assert said_of_series("EUR", "-76.01", "128.26", "44.47") == (
        (
            "The largest rate known of Series, 128.26 EUR per kWh, is implausible; if its"
            " prices are per MWh, multiply: 0.001."
        ),
    )
    assert said_of_series("EUR", "27.5") == (
        (
            "The largest rate known of Series, 27.5 EUR per kWh, is implausible; if its prices are"
            " in cents, multiply: 0.01."
        ),
    )
    assert said_of_series("EUR", "-0.0001", "0.30") == ()
    assert said_of_series("EUR") == ()


def test_a_series_divided_once_too_often_is_doubted() -> None:
    """Prices per kWh already, and multiply: 0.001 beside them."""
    assert said_of_series("EUR", "0.30", "0.25", multiply=Decimal("0.001")) == (
        (
            "The largest rate known of Series, 0.0003 EUR per kWh, is implausible; if its"
            " prices are per kWh already, leave out multiply."
        ),
    )


def test_an_addition_in_the_minor_unit_is_named() -> None:
    """11.5 cents added to a price in dollars: it is the addition that is wrong."""
    assert said_of_series("NZD", "0.10", add=Decimal("11.5")) == (
        (
            "The largest rate known of Series, 11.6 NZD per kWh, is implausible; rates are"
            " in NZD, not cents: add: 0.115?"
        ),
    )


def test_cautions_of_the_tariff_reach_check() -> None:
    """They stand with the others; a plausible tariff adds none."""
    wrong = DemoHousehold(tariffs=[bands(band("all", "30.5"))]).file()
    text = "\n".join(explain_unwrapped(House(wrong, prices_of(wrong, {})), START))
    assert "\n  - Rate 30.5 NZD per kWh in band all of Bands is implausible" in text
    assert tariff_cautions(DemoHousehold(tariffs=[THREE_BANDS]).file(), {}) == ()

"""Countries of time zones, and their currencies."""

from __future__ import annotations

import pytest

from config.fields.countries import country_of_zone, currency_of_country
from config.fields.currencies import CURRENCIES
from config.fields.zones import known_zones


@pytest.mark.parametrize(
    ("zone", "country"),
    [
        ("Pacific/Auckland", "NZ"),
        ("NZ", "NZ"),  # a link of the pinned data
        ("Europe/Berlin", "DE"),
        ("Europe/Oslo", "NO"),
        ("Asia/Calcutta", "IN"),
        ("Etc/UTC", None),
        ("Pacific/Aukland", None),
    ],
)
def test_a_zone_leads_to_its_country(zone: str, country: str | None) -> None:
    """After the IANA time zone database: zone.tab, and its links to older names."""
    assert country_of_zone(zone) == country


@pytest.mark.parametrize(
    ("country", "currency"),
    [
        ("NZ", "NZD"),
        ("GB", "GBP"),
        ("US", "USD"),  # not USN, a fund code
        ("CH", "CHF"),
        ("MX", "MXN"),
        ("DE", "EUR"),
        ("BG", "EUR"),
        ("PL", "PLN"),
        ("NR", None),  # Nauru pays in another country's currency
        ("AQ", None),
        (None, None),
    ],
)
def test_a_country_code_leads_to_its_currency(country: str | None, currency: str | None) -> None:
    """By the rule of ISO 4217, that a code begins with the country's of ISO 3166-1; from memory."""
    assert currency_of_country(country) == currency


def test_most_zones_lead_to_a_currency_that_there_is() -> None:
    """A guess is always a currency that a household file may name."""
    found = [currency_of_country(country_of_zone(zone)) for zone in known_zones()]
    guesses = [code for code in found if code is not None]
    assert set(guesses) <= CURRENCIES
    assert len(guesses) > len(found) / 2

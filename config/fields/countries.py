"""Guess a country from a time zone, and a currency from a country.

No better than the names in the pinned time zone data and in ISO 4217: good for a first guess.
"""

from __future__ import annotations

from functools import cache
from importlib import resources

from config.fields.currencies import CURRENCIES

_EURO_AREA = frozenset(
    "AT BE BG CY DE EE ES FI FR GR HR IE IT LT LU LV MT NL PT SI SK".split()  # noqa: SIM905
)
"""Members of the euro area in 2026, from memory; ISO 4217 names it EU, not by its members."""
_FUNDS = frozenset("BOV CHE CHW CLF COU MXV USN UYI UYW".split())  # noqa: SIM905
"""ISO 4217 fund codes, from memory: nobody is billed in them."""


def country_of_zone(zone: str) -> str | None:
    """Return the country in which a time zone is used.

    Parameters
    ----------
    zone : str
        IANA name.

    Returns
    -------
    str or None
        ISO 3166-1 code from the ``zone.tab`` of the pinned data; None for zones of no country.
    """
    table = _countries()
    return table.get(zone) or table.get(_links().get(zone, ""))


def currency_of_country(country: str | None) -> str | None:
    """Return the currency of a country, if the country's code identifies it.

    Parameters
    ----------
    country : str or None
        ISO 3166-1 code.

    Returns
    -------
    str or None
        EUR in the euro area. Elsewhere the ISO 4217 code that begins with the country's code, as
        that standard rules; None unless there is exactly one.
    """
    if country in _EURO_AREA:
        return "EUR"
    found = [code for code in CURRENCIES - _FUNDS if country and code.startswith(country)]
    return found[0] if len(found) == 1 else None


@cache
def _countries() -> dict[str, str]:
    rows = [line.split("\t") for line in _lines("zone.tab") if not line.startswith("#")]
    return {row[2]: row[0] for row in rows}


@cache
def _links() -> dict[str, str]:
    rows = [line.split() for line in _lines("tzdata.zi") if line.startswith("L ")]
    return {alias: target for _, target, alias in rows}


def _lines(name: str) -> list[str]:
    text = resources.files("tzdata").joinpath("zoneinfo", name).read_text(encoding="utf-8")
    return [line for line in text.splitlines() if line]

"""Currencies have the minor units of ISO 4217."""

from __future__ import annotations

import pytest

from config.fields.currencies import CURRENCIES, minor_units


@pytest.mark.parametrize(
    ("codes", "digits"),
    [
        ("JPY KRW ISK CLP VND", 0),
        ("NZD EUR GBP USD HUF", 2),
        ("KWD BHD OMR TND JOD IQD LYD", 3),
        ("CLF UYW", 4),
    ],
)
def test_minor_units(codes: str, digits: int) -> None:
    """Decimals are those of ISO 4217 table A.1 (as listed in the package iso4217)."""
    assert {minor_units(code) for code in codes.split()} == {digits}


def test_codes() -> None:
    """Every code is three capital letters; there are as many as people are billed in."""
    assert all(len(code) == 3 and code.isalpha() and code.isupper() for code in CURRENCIES)
    assert len(CURRENCIES) == 165


@pytest.mark.parametrize("code", ["XAU", "XTS", "nzd", "ABC", ""])
def test_no_currency(code: str) -> None:
    """Metals, test codes and inventions are no currencies."""
    with pytest.raises(KeyError):
        minor_units(code)

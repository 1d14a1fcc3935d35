"""Money: rounding and writing."""

from __future__ import annotations

from decimal import Decimal

import pytest

from planners.accounts.money import format_money, round_money


@pytest.mark.parametrize(
    ("amount", "minor_units", "rounded"),
    [
        ("0.125", 2, "0.12"),
        ("0.135", 2, "0.14"),
        ("0.1251", 2, "0.13"),
        ("-0.125", 2, "-0.12"),
        ("2.5", 0, "2"),
        ("3.5", 0, "4"),
        ("1.23456", 3, "1.235"),
        ("7", 2, "7.00"),
        ("-0.001", 2, "0.00"),
        ("1E+2", 2, "100.00"),
    ],
)
def test_a_half_goes_to_the_even_unit(amount: str, minor_units: int, rounded: str) -> None:
    """Amounts have exactly the currency's decimals, halves go to even, and zero has no sign."""
    assert str(round_money(Decimal(amount), minor_units)) == rounded


@pytest.mark.parametrize(
    ("amount", "currency", "written"),
    [
        ("5.0232", "NZD", "NZD 5.02"),
        ("1234.5", "JPY", "JPY 1234"),
        ("1.23456", "KWD", "KWD 1.235"),
        ("-0.3", "EUR", "EUR -0.30"),
        ("0", "NZD", "NZD 0.00"),
        ("12345678901234567890", "NZD", "NZD 12345678901234567890.00"),
    ],
)
def test_an_amount_is_written_with_its_code(amount: str, currency: str, written: str) -> None:
    """Code, space, and the amount in plain digits."""
    assert format_money(Decimal(amount), currency) == written

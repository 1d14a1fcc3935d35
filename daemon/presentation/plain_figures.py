"""Dates and amounts as papers write them: exactly, without digits that say nothing."""

from __future__ import annotations

from decimal import Decimal
from typing import TYPE_CHECKING

from config.tariffs.calendar_words import MONTHS

if TYPE_CHECKING:
    from datetime import date

    from config.tariffs.tariff import Tariff

_FINEST = Decimal("0.000001")
"""More digits than this are not told."""


def written(day: date) -> str:
    """Write a date with the name of its month, such as ``"1 April 2026"``."""
    return f"{day.day} {MONTHS[day.month - 1]} {day.year}"


def plain(amount: Decimal) -> str:
    """Write an amount without zeros at its end, and to a millionth at the finest."""
    return f"{amount.quantize(_FINEST).normalize():f}"


def taxed(amount: Decimal, tariff: Tariff, unit: str) -> str:
    """Write an amount with its tax, and before tax where that differs.

    Parameters
    ----------
    amount : Decimal
        Before tax [currency, or currency per kWh].
    tariff : Tariff
        Whose tax it is.
    unit : str
        Such as ``"NZD per kWh"``.

    Returns
    -------
    str
        Such as ``"0.1932 NZD per kWh (0.168 before 15 % of tax)"``.
    """
    if not tariff.tax_percent or not amount:
        return f"{plain(amount)} {unit}"
    whole = amount * tariff.tax_factor
    return f"{plain(whole)} {unit} ({plain(amount)} before {plain(tariff.tax_percent)} % of tax)"

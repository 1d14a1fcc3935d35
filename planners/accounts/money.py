"""Round amounts to the smallest unit of their currency, and write them."""

from __future__ import annotations

from decimal import ROUND_HALF_EVEN, Decimal

from config.fields import currencies

FLOAT_PLACES = 6
"""Decimals of an amount that a planner has reckoned with; more are noise. Whoever publishes such an
amount keeps these, so that rounding it again gives the same."""


def round_money(amount: Decimal, minor_units: int) -> Decimal:
    """Round an amount to the smallest unit of its currency, halves to the even one.

    Parameters
    ----------
    amount : Decimal
        Amount [currency].
    minor_units : int
        Decimals of the currency, by ISO 4217.

    Returns
    -------
    Decimal
        With exactly that many decimals; zero has no sign.
    """
    rounded = amount.quantize(Decimal(1).scaleb(-minor_units), rounding=ROUND_HALF_EVEN)
    return rounded or abs(rounded)


def format_amount(amount: Decimal | float, currency: str) -> str:
    """Write a rounded amount without its currency, such as ``"5.02"``."""
    exact = (
        amount if isinstance(amount, Decimal) else Decimal(repr(round(float(amount), FLOAT_PLACES)))
    )
    return f"{round_money(exact, currencies.minor_units(currency)):f}"


def format_money(amount: Decimal | float, currency: str) -> str:
    """Write an amount as people read it.

    Parameters
    ----------
    amount : Decimal or float
        Amount [currency].
    currency : str
        ISO 4217 code.

    Returns
    -------
    str
        Code and rounded amount, such as ``"NZD 5.02"``.
    """
    return f"{currency} {format_amount(amount, currency)}"

"""Write a month's minimum bills: as lines of text, and as values of JSON. Pure."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from config.calendar.words import listed
from config.fields.currencies import minor_units
from planners.accounts.money import format_money, round_money

if TYPE_CHECKING:
    from collections.abc import Iterator

    from daemon.night_log.month import Month


def minimum_lines(month: Month) -> Iterator[tuple[str, str]]:
    """Say what is missing from a minimum bill, with and without charging.

    Parameters
    ----------
    month : Month
        The month.

    Yields
    ------
    tuple of str
        The name of a line, and its words; nothing without a minimum bill.
    """
    for points, bill in month.minimum_bills:
        least, top_up, without = (
            format_money(each, month.currency)
            for each in (bill.least, bill.top_up, bill.top_up_without)
        )
        meter = f" of {listed(points)}" if points else ""
        yield (
            f"minimum bill{meter}",
            f"{top_up} on top, up to {least}; {without} without charging",
        )


def minimum_values(month: Month) -> list[dict[str, Any]]:
    """Make the JSON values of the minimum bills; empty without any."""
    units = minor_units(month.currency)
    return [
        {
            "charge_points": list(points),
            "least": round_money(bill.least, units),
            "top_up": round_money(bill.top_up, units),
            "top_up_without_charging": round_money(bill.top_up_without, units),
        }
        for points, bill in month.minimum_bills
    ]

"""Write what each component of a tariff cost in a month: as text, and as values of JSON. Pure."""

from __future__ import annotations

from decimal import Decimal
from typing import TYPE_CHECKING, Any

from config.fields.currencies import minor_units
from planners.accounts.money import format_money, round_money

if TYPE_CHECKING:
    from collections.abc import Iterator

    from daemon.night_log.month import Month

REST = "roundings and corrections"
"""What nights cost by the record beyond what their energy costs line by line."""


def component_lines(month: Month) -> Iterator[tuple[str, str]]:
    """Say what each component and percentage cost.

    Parameters
    ----------
    month : Month
        The month.

    Yields
    ------
    tuple of str
        The name of a line, and its words; nothing without components.
    """
    for number, (name, cost) in enumerate(_parts(month)):
        amount = format_money(cost, month.currency)
        yield "" if number else "of this", f"{amount} {name}"


def component_values(month: Month) -> list[dict[str, Any]]:
    """Make the JSON values of the components; empty without any."""
    return [{"name": name, "cost": cost} for name, cost in _parts(month)]


def _parts(month: Month) -> Iterator[tuple[str, Decimal]]:
    """Give the rounded parts, with a last one that makes them add up to the month's cost."""
    units = minor_units(month.currency)
    rounded = [(name, round_money(cost, units)) for name, cost in month.by_component]
    yield from rounded
    rest = month.cost_rounded - sum((cost for _, cost in rounded), Decimal(0))
    if rounded and rest:
        yield REST, rest

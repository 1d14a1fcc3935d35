"""Say a tariff's capacity charge and its minimum bill in words, as the supplier's papers do."""

from __future__ import annotations

from typing import TYPE_CHECKING

from config.calendar.tables import possible_days
from config.calendar.words import parts_in_words
from daemon.presentation.figures import with_tax
from planners.capacity.words import INTERVALS

if TYPE_CHECKING:
    from collections.abc import Iterator

    from config.tariffs.capacity_charge import CapacityCharge
    from config.tariffs.tariff import Tariff

_NUMBERS = ("", "", "two", "three", "four", "five", "six", "seven", "eight", "nine", "ten")


def capacity_sentences(tariff: Tariff, currency: str) -> Iterator[str]:
    """Say what a tariff charges for the highest power.

    Parameters
    ----------
    tariff : Tariff
        The tariff.
    currency : str
        ISO 4217 code.

    Yields
    ------
    str
        Whole sentences; none if it has no such charge.
    """
    charge = tariff.capacity_charge
    if charge is None:
        return
    yield f"Capacity charge: {_amounts(tariff, charge, currency)}."
    yield f"{_power(charge)}."
    if charge.at_least_kw:
        yield f"A {charge.per} counts as at least {charge.at_least_kw:g} kW."
    when = counted_hours(charge)
    if when:
        yield f"Only these hours count: {when}."


def minimum_sentences(tariff: Tariff, currency: str) -> Iterator[str]:
    """Say what a month's bill comes to at least, and what counts towards it.

    Parameters
    ----------
    tariff : Tariff
        The tariff.
    currency : str
        ISO 4217 code.

    Yields
    ------
    str
        Whole sentences; none if it has no minimum bill.
    """
    minimum = tariff.minimum_bill
    if minimum is None:
        return
    per = "month" if minimum.per == "month" else "day of the month"
    yield f"Minimum bill: {with_tax(minimum.amount, tariff, f'{currency} a {per}')}."
    counts = "Energy, standing charge and fees count" if minimum.of == "bill" else "Energy counts"
    home = ""
    if minimum.home_energy:
        usual = with_tax(minimum.home_energy, tariff, f"{currency} a month")
        home = f" The rest of the home's energy is taken to cost {usual}."
    yield f"{counts} towards it.{home}"
    yield "It is a line of the month: plans and nights do not mind it."


def _amounts(tariff: Tariff, charge: CapacityCharge, currency: str) -> str:
    if charge.rate_per_kw is not None:
        return with_tax(charge.rate_per_kw, tariff, f"{currency} for each kW a {charge.per}")
    before, parts = 0.0, []
    for step in charge.steps or ():
        amount = with_tax(step.charge, tariff, f"{currency} a {charge.per}")
        span = f"above {before:g} kW" if step.up_to_kw is None else f"up to {step.up_to_kw:g} kW"
        parts.append(f"{amount} {span}")
        before = step.up_to_kw or before
    return ", ".join(parts)


def _power(charge: CapacityCharge) -> str:
    """Say which power is billed."""
    each = INTERVALS[charge.interval_minutes]
    if charge.highest_days == 1:
        peak = f"the mean power of the highest {each} of the {charge.per}"
    else:
        days = charge.highest_days
        count = _NUMBERS[days] if days < len(_NUMBERS) else str(days)
        peak = f"the mean of the {count} highest {each}s of the {charge.per}, on different days"
    if charge.mean_of_months > 1:
        return f"It is for the mean of the last {charge.mean_of_months} months, each with {peak}"
    return f"It is for {peak}"


def counted_hours(charge: CapacityCharge) -> str:
    """Say in which hours power counts; empty if it counts always."""
    calendar, mask = charge.calendar, charge.mask
    if mask[possible_days(calendar)].all():
        return ""
    return "; ".join(parts_in_words(mask, calendar))

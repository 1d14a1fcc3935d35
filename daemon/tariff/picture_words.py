"""Write the words of a picture: titles, dates, hours. Pure."""

from __future__ import annotations

from itertools import pairwise
from typing import TYPE_CHECKING

from planners.accounts.money import format_money

if TYPE_CHECKING:
    from collections.abc import Sequence
    from datetime import date, datetime
    from zoneinfo import ZoneInfo

    from daemon.tariff.days import Day
    from planners.plan.plan import Plan


def summary(plan: Plan, zone: ZoneInfo) -> str:
    """Sum up a plan: the charge now and at the departure, the energy and the cost."""
    ends = plan.departure.astimezone(zone)
    return (
        f"{plan.vehicle} on {plan.charge_point}: {plan.soc_percent:.0f} % now,"
        f" {plan.reaches_percent:.0f} % by {ends:%a} {ends.day} {ends:%b %H:%M}."
        f" {plan.energy_kwh:.2f} kWh for {format_money(plan.cost, plan.currency)}."
    )


def clock(instant: datetime) -> str:
    """Write a full hour; at midnight, also the new day."""
    day = f"\n{instant:%a} {instant.day} {instant:%b}" if instant.hour == 0 else ""
    return f"{instant:%H:%M}{day}"


def long_date(day: date) -> str:
    """Write a date in full, such as ``"Wed 3 June 2026"``."""
    return f"{day:%a} {day.day} {day:%B %Y}"


def date_range(days: Sequence[Day]) -> str:
    """Write the first and the last of some days, or the only one."""
    first, last = long_date(days[0].date), long_date(days[-1].date)
    return first if first == last else f"{first} to {last}"


def new_names(days: Sequence[Day]) -> list[str]:
    """Name the tariff of each day, or nothing if it is the same as the day before."""
    names = [day.tariff.name if day.tariff else "" for day in days]
    return ["" if name == before else name for before, name in pairwise(["", *names])]

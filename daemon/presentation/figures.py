"""Write dates, times, amounts, energy and counts as people read them.

`planners.accounts.money` rounds and writes money.
"""

from __future__ import annotations

from decimal import ROUND_FLOOR, Decimal
from typing import TYPE_CHECKING

from config.calendar.words import MONTHS
from planners.local_time.conversion import clock_text, nearest_minute

if TYPE_CHECKING:
    from collections.abc import Sequence
    from datetime import date, datetime
    from zoneinfo import ZoneInfo

    from config.tariffs.tariff import Tariff

_SMALLEST = Decimal("0.000001")
"""Numbers are rounded to this."""


NOON_HOUR = 12


def date_text(day: date) -> str:
    """Write a date with the name of its month, such as ``"1 April 2026"``."""
    return f"{day.day} {MONTHS[day.month - 1]} {day.year}"


def local_time(instant: datetime, zone: ZoneInfo, form: str = "%a %H:%M") -> str:
    """Write an instant by the household's clock; to the nearest minute if without seconds."""
    if "%S" in form:
        return instant.astimezone(zone).strftime(form)
    return clock_text(instant, zone, form)


def day_edge(instant: datetime, zone: ZoneInfo, form: str = "%a %d %b") -> str:
    """Write where a day of the account begins or ends, such as ``"Wed 03 Jun, noon"``."""
    return f"{local_time(instant, zone, form)}, {noon_or_midnight(instant, zone)}"


def noon_or_midnight(instant: datetime, zone: ZoneInfo) -> str:
    """Name the hour at which a day of the account begins or ends."""
    return "noon" if nearest_minute(instant, zone).hour == NOON_HOUR else "midnight"


def counted(count: float, noun: str) -> str:
    """Write a number of things, such as ``"1 year"`` or ``"2.5 years"``."""
    number = plain_number(Decimal(str(count))) if count % 1 else f"{count:,.0f}"
    return f"{number} {noun}{'' if count == 1 else 's'}"


def kwh_text(wh: Decimal | float, decimals: int = 1) -> str:
    """Write an energy given in watt-hours, such as ``"7.3 kWh"``; halves go to the even digit."""
    exact = wh if isinstance(wh, Decimal) else Decimal(repr(round(wh, 6)))
    return f"{exact.scaleb(-3):.{decimals}f} kWh"


def rate_text(rate: Decimal) -> str:
    """Write a rate to a ten-thousandth, such as ``"0.1932"``."""
    return f"{rate:.4f}"


def rounded_parts(
    parts: Sequence[Decimal], places: int, whole: Decimal | None = None
) -> list[Decimal]:
    """Round the parts of a sum so that they add up to the rounded sum.

    Parameters
    ----------
    parts : sequence of Decimal
        The parts.
    places : int
        Decimals to keep.
    whole : Decimal, optional
        The sum, rounded up or down; by default to the nearest.

    Returns
    -------
    list of Decimal
        Each part rounded down or up; up are those with the most to lose, of equals the largest,
        whatever their order.
    """
    unit = Decimal(1).scaleb(-places)
    rounded = [part.quantize(unit, ROUND_FLOOR) for part in parts]
    whole = sum(parts, Decimal(0)).quantize(unit) if whole is None else whole
    missing = int((whole - sum(rounded, Decimal(0))) / unit)
    by_loss = sorted(
        range(len(parts)), key=lambda place: (rounded[place] - parts[place], -parts[place])
    )
    for place in by_loss[:missing]:
        rounded[place] += unit
    return rounded


def plain_number(amount: Decimal) -> str:
    """Write a number to a millionth at most, without zeros at its end."""
    return f"{amount.quantize(_SMALLEST).normalize():f}"


def with_tax(amount: Decimal, tariff: Tariff, unit: str) -> str:
    """Write an amount with its tax, and before tax where that differs.

    Parameters
    ----------
    amount : Decimal
        Before tax [currency, or currency per kWh].
    tariff : Tariff
        The tariff, which sets the tax.
    unit : str
        Such as ``"NZD per kWh"``.

    Returns
    -------
    str
        Such as ``"0.1932 NZD per kWh (0.168 before 15 % of tax)"``.
    """
    if not tariff.tax_percent or not amount:
        return f"{plain_number(amount)} {unit}"
    whole = amount * tariff.tax_factor
    tax = plain_number(tariff.tax_percent)
    return f"{plain_number(whole)} {unit} ({plain_number(amount)} before {tax} % of tax)"


def lowered_words(
    minutes: int, least_amps: float, load_amps: float | None, *, because: str = ":"
) -> str:
    """Say that the home's live load lowered a charge.

    Parameters
    ----------
    minutes : int
        For how long.
    least_amps : float
        The lowest current meanwhile [A per phase]; 0 if it was stopped.
    load_amps : float or None
        The most that the rest of the home drew meanwhile [A]; None if it is not known.
    because : str
        What joins the two.

    Returns
    -------
    str
        Such as ``"lowered for 23 min, to 10 A at the least: the rest of the home drew up to 41
        A"``.
    """
    what = "lowered" if least_amps else "lowered or stopped"
    to = f", to {least_amps:g} A at the least" if least_amps else ""
    hours, rest = divmod(minutes, 60)
    time = f"{hours} h {rest:02d} min" if hours else f"{minutes} min"
    drew = "too much" if load_amps is None else f"up to {load_amps:.0f} A"
    return f"{what} for {time}{to}{because} the rest of the home drew {drew}"

"""Explain a tariff of components: each of them, the percentages, and what a kWh is composed of."""

from __future__ import annotations

from decimal import Decimal
from typing import TYPE_CHECKING

from config.calendar.words import MONTHS, listed
from config.files.errors import TariffError
from config.tariffs.components import STANDING_CHARGE
from daemon.presentation.figures import date_text, local_time, plain_number
from planners.rates.composed_rates import standing_charge_on

if TYPE_CHECKING:
    from collections.abc import Iterator
    from datetime import date, datetime

    from config.tariffs.components import Dated, Percentage
    from config.tariffs.tariff import Tariff
    from daemon.control.state import House
    from planners.rates.prices import Prices

_NAME_COLUMNS = 40


def dates_in_words(entry: Dated) -> str:
    """Say from when until when a component or a percentage holds, after a comma."""
    text = f", from {date_text(entry.valid_from)}" if entry.valid_from else ""
    return text + (f", until {date_text(entry.valid_to)}" if entry.valid_to else "")


def fee_lines(tariff: Tariff, currency: str, today: date) -> Iterator[str]:
    """Say what each fee of a tariff is, and what is due each day with all of them.

    Parameters
    ----------
    tariff : Tariff
        The tariff.
    currency : str
        ISO 4217 code.
    today : date
        Local date.

    Yields
    ------
    str
        Lines of text; none without fees.
    """
    if not tariff.fees:
        return
    for fee in tariff.fees:
        amount = f"{plain_number(fee.amount)} {currency} a {fee.per}"
        yield f"    {fee.name}: {amount}{dates_in_words(fee)}."
    whole = plain_number(standing_charge_on(tariff, today))
    yield f"    Standing charge and fees are {whole} {currency} today, tax included."


def percentage_lines(tariff: Tariff) -> Iterator[str]:
    """Say what each percentage of a tariff is on, and when.

    Parameters
    ----------
    tariff : Tariff
        A composed tariff.

    Yields
    ------
    str
        Lines of text.
    """
    for each in tariff.percentages_in_order:
        when = dates_in_words(each)
        if each.months:
            months = [MONTHS[m - 1] if isinstance(m, int) else m for m in each.months]
            when = f", in {listed(months)}{when}"
        yield f"    {each.name}: {_percent(each, tariff)} of {_on(each)}{when}."


def _percent(percentage: Percentage, tariff: Tariff) -> str:
    if percentage.percent is not None:
        return f"{plain_number(percentage.percent)} %"
    tiers = []
    for tier in percentage.tiers or ():
        end = tier.up_to_kwh
        up_to = f" up to {plain_number(end)} kWh a {tariff.tiers_unit}" if end else ""
        tiers.append(f"{plain_number(tier.percent)} %{up_to}")
    return ", then ".join(tiers)


def _on(percentage: Percentage) -> str:
    if percentage.on is None:
        standing = " and of the standing charge" if percentage.percent is not None else ""
        return f"all above{standing}"
    return listed([name.replace(STANDING_CHARGE, "the standing charge") for name in percentage.on])


def explain_composition(house: House, now: datetime) -> Iterator[str]:
    """List what a kWh costs at an instant, as a bill does, meter by meter.

    Parameters
    ----------
    house : House
        The household file and the rates.
    now : datetime
        UTC.

    Yields
    ------
    str
        Lines of text; none if the tariff in force has no components and no percentages.
    """
    for prices in house.prices.meters:
        at = of_meter(house, prices)
        yield from _composition(prices, f"{at}, {house.file.household.currency}", now)


def of_meter(house: House, prices: Prices) -> str:
    """Name a meter, such as ``" at driveway"``; empty for that of the home."""
    points = house.prices.points_of(prices)
    return f" at {listed(points)}" if points else ""


def _composition(prices: Prices, where: str, now: datetime) -> Iterator[str]:
    zone = prices.zone
    try:
        tariff = prices.tariff_on(now.astimezone(zone).date())
        if not tariff.is_composed:
            return
        lines = prices.composition_at(now)
    except TariffError as error:
        yield ""
        yield f"What a kWh costs now is not known: {error}."
        return
    yield ""
    yield f"A kWh on {local_time(now, zone, '%a %d %b at %H:%M')}{where}:"
    for line in lines:
        percent = "" if line.percent is None else f" {plain_number(line.percent)} %"
        band = f" ({line.band})" if line.band else ""
        estimated = "  estimated" if line.estimated else ""
        yield f"  {line.name + percent + band:<{_NAME_COLUMNS}}{line.amount:>10.5f}{estimated}"
    total = sum((line.amount for line in lines), Decimal(0))
    yield f"  {'in all':<{_NAME_COLUMNS}}{total:>10.5f}"

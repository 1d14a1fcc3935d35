"""Where the prices of a series come from and what becomes of them, in words."""

from __future__ import annotations

from typing import TYPE_CHECKING

from adapters.contract.topics import Topics
from daemon.presentation.figures import date_text, local_time, plain_number
from planners.local_time.conversion import instant_of
from planners.rates.series_rates import DAYS_ESTIMATED_FROM, SeriesRates

if TYPE_CHECKING:
    from collections.abc import Iterator
    from datetime import datetime
    from zoneinfo import ZoneInfo

    from config.tariffs.tariff import PriceFile, Tariff
    from daemon.control.state import House


def price_lines(house: House, place: int) -> Iterator[str]:
    """Explain a price series: its source, its formula, its steps, and what is known of it.

    Parameters
    ----------
    house : House
        The household file and the rates.
    place : int
        Place of a tariff of prices in the file.

    Yields
    ------
    str
        Lines of text.

    Raises
    ------
    ValueError
        If the tariff is one of bands.
    """
    file, tariff, rates = house.file, house.file.tariffs[place], house.prices.rates[place]
    prices, currency = tariff.prices, file.household.currency
    if prices is None or not isinstance(rates, SeriesRates):
        raise ValueError(f"{tariff.name} is not a price series")
    topic = Topics(file.bus.root, file.household.name).prices
    source = (
        f"{prices.file}, and what the topic {topic} adds" if prices.file else f"the topic {topic}"
    )
    yield f"    Prices come from {source}."
    yield f"    {_formula(prices, tariff, currency)}"
    yield f"    {_step(prices)}"
    yield f"    {_known(rates, file.zone, currency)}"
    yield (
        "    What is not known is estimated: the mean of the same time of day on the last"
        f" {DAYS_ESTIMATED_FROM} days known."
    )


def _formula(prices: PriceFile, tariff: Tariff, currency: str) -> str:
    """Tell in the order of reckoning how a price becomes a rate."""
    steps = []
    if prices.multiply != 1:
        steps.append(f"times {plain_number(prices.multiply)}")
    if prices.add:
        steps.append(f"{'plus' if prices.add > 0 else 'minus'} {plain_number(abs(prices.add))}")
    if prices.at_least is not None:
        steps.append(f"but no less than {plain_number(prices.at_least)}")
    if prices.at_most is not None:
        steps.append(f"but no more than {plain_number(prices.at_most)}")
    if tariff.tax_percent:
        steps.append(f"and {plain_number(tariff.tax_percent)} % of tax on top")
    return f"Rate in {currency} per kWh: {', '.join(['the price', *steps])}."


def _step(prices: PriceFile) -> str:
    if prices.step_minutes is None:
        return (
            "A price holds until the next one; a gap longer than those beside it is a missing row."
        )
    return f"A price holds until the next one, for {prices.step_minutes} minutes at the most."


def _known(rates: SeriesRates, zone: ZoneInfo, currency: str) -> str:
    """Tell for how long prices are known, and between what they lie."""
    if not rates.rates:
        return "No price is known yet: nothing can be planned by it until prices arrive."
    first, last = instant_of(int(rates.starts[0])), instant_of(int(rates.ends[-1]))
    low, high = (plain_number(rate) for rate in (min(rates.rates), max(rates.rates)))
    span = f"{low} to {high}" if low != high else low
    holes = int((rates.ends[:-1] < rates.starts[1:]).sum())
    gaps = f", with {holes} {'gap' if holes == 1 else 'gaps'}" if holes else ""
    return (
        f"Known from {_moment(first, zone)} to {_moment(last, zone)}{gaps}: {span} {currency} per"
        " kWh with tax."
    )


def _moment(instant: datetime, zone: ZoneInfo) -> str:
    return f"{date_text(instant.astimezone(zone).date())} {local_time(instant, zone, '%H:%M')}"

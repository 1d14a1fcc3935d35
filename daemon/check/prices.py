"""Explain where the prices of a series come from, and how they become rates."""

from __future__ import annotations

from decimal import Decimal
from typing import TYPE_CHECKING

from adapters.contract.topics import Topics
from config.files.errors import FileError
from config.files.secret_files import read_secret
from config.servers.source import host_of
from daemon.fetching.last_time import read_last_time
from daemon.presentation.figures import date_text, local_time, plain_number, with_tax
from planners.local_time.conversion import instant_of
from planners.rates.series_rates import DAYS_ESTIMATED_FROM

if TYPE_CHECKING:
    from collections.abc import Iterator
    from datetime import datetime
    from pathlib import Path
    from zoneinfo import ZoneInfo

    from config.household.household_file import HouseholdFile
    from config.tariffs.price_fetch import PriceFetch
    from config.tariffs.price_file import PriceFile
    from config.tariffs.tariff import Tariff
    from planners.rates.series_rates import SeriesRates


def price_lines(file: HouseholdFile, tariff: Tariff, rates: SeriesRates) -> Iterator[str]:
    """Explain a price series: source, formula, steps, and known prices.

    Parameters
    ----------
    file : HouseholdFile
        The household.
    tariff : Tariff
        A tariff of prices, or a component as one.
    rates : SeriesRates
        Its prices.

    Yields
    ------
    str
        Lines of text.

    Raises
    ------
    ValueError
        If the tariff has bands instead of prices.
    """
    prices, currency = tariff.prices, file.household.currency
    if prices is None:
        raise ValueError(f"{tariff.name} is not a price series")
    topic = Topics.of_file(file).prices
    source = (
        f"{prices.file}, and from messages on the topic {topic}"
        if prices.file
        else f"messages on the topic {topic}"
    )
    yield f"    Prices come from {source}."
    if prices.file is not None and prices.fetch is not None:
        yield f"    {_fetched(prices.file, prices.fetch, file.zone)}"
    yield f"    {_formula(prices, tariff, currency)}"
    yield from _cheapest(prices, tariff, currency)
    yield f"    {_step(prices)}"
    yield f"    {_known(rates, file.zone, currency, tariff)}"
    yield (
        "    Unknown prices are estimated: the mean at the same time of day over the nearest"
        f" {DAYS_ESTIMATED_FROM} days that have one; if none has, the mean of the nearest"
        f" {DAYS_ESTIMATED_FROM} days of prices."
    )


def _fetched(path: Path, fetch: PriceFetch, zone: ZoneInfo) -> str:
    """Say from where the prices are fetched and when last; of a private address only the host."""
    last = read_last_time(path)
    does = (
        f"`lullwatt fetch-prices` writes that file from {_server(fetch)}, as {fetch.format.upper()}"
    )
    when = "it has not yet" if last.wrote_at is None else f"last on {_moment(last.wrote_at, zone)}"
    failed = ""
    if last.failure and last.asked_at is not None:
        failed = f" The last try, on {_moment(last.asked_at, zone)}, failed: {last.failure}"
    return f"{does}; {when}.{failed}"


def _server(fetch: PriceFetch) -> str:
    if fetch.url is not None:
        return fetch.url
    try:
        address = read_secret(fetch.url_file, "a file with an address") if fetch.url_file else ""
    except FileError:
        address = ""  # the service that fetches may be the only one that may read it
    known = bool(address) and fetch.problem_of(address) is None
    return host_of(address) if known else "an address that only that command may read"


def _formula(prices: PriceFile, tariff: Tariff, currency: str) -> str:
    """Say how a price becomes a rate, in the order of the calculation."""
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


def _cheapest(prices: PriceFile, tariff: Tariff, currency: str) -> Iterator[str]:
    """Say what the cheapest hours of a day cost, if that differs."""
    contract = prices.cheapest_hours
    if contract is None:
        return
    unit = f"{currency} per kWh"
    if contract.rate is not None:
        cost = f"cost {with_tax(contract.rate, tariff, unit)}"
    else:
        cost = f"cost {with_tax(contract.add or Decimal(0), tariff, unit)} more than that"
        if contract.add and contract.add < 0:
            cost = f"cost {with_tax(-contract.add, tariff, unit)} less than that"
    hours = "hour" if contract.hours == 1 else f"{contract.hours} hours"
    verb = cost if contract.hours > 1 else cost.replace("cost", "costs", 1)
    others = ""
    if contract.other_rate is not None:
        others = f"; all other hours cost {with_tax(contract.other_rate, tariff, unit)}"
    yield f"    The cheapest {hours} of each day by price {verb}{others}."


def _step(prices: PriceFile) -> str:
    if prices.step_minutes is None:
        return (
            "Each price applies until the next one; a gap longer than its neighbours is a missing"
            " row."
        )
    return f"Each price applies until the next one, and for {prices.step_minutes} minutes at most."


def _known(rates: SeriesRates, zone: ZoneInfo, currency: str, tariff: Tariff) -> str:
    """Say for how long prices are known, and between which limits."""
    if not rates.rates:
        return "No price is known yet; nothing can be planned with this tariff until prices arrive."
    first, last = instant_of(int(rates.starts[0])), instant_of(int(rates.ends[-1]))
    low, high = (plain_number(rate) for rate in (min(rates.rates), max(rates.rates)))
    span = f"{low} to {high}" if low != high else low
    holes = int((rates.ends[:-1] < rates.starts[1:]).sum())
    gaps = f", with {holes} {'gap' if holes == 1 else 'gaps'}" if holes else ""
    return (
        f"Known from {_moment(first, zone)} to {_moment(last, zone)}{gaps}: {span} {currency} per"
        f" kWh{' with tax' if tariff.tax_percent else ''}."
    )


def _moment(instant: datetime, zone: ZoneInfo) -> str:
    return f"{date_text(instant.astimezone(zone).date())} {local_time(instant, zone, '%H:%M')}"

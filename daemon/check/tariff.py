"""Explain the tariffs of a household file, and what each hour of tonight costs."""

from __future__ import annotations

from datetime import timedelta
from decimal import Decimal
from itertools import islice
from typing import TYPE_CHECKING

from config.calendar.words import WEEKDAY_NAMES, hours_of_week, listed, parts_in_words
from config.fields.public_holidays import holiday_dates
from config.files.errors import TariffError
from config.tariffs.bands import band_table, names_holidays
from daemon.check.announced import announced_lines
from daemon.check.clock import clock_lines
from daemon.check.composition import dates_in_words, fee_lines, of_meter, percentage_lines
from daemon.check.dates import date_lines
from daemon.check.prices import price_lines
from daemon.presentation.capacity_words import capacity_sentences, minimum_sentences
from daemon.presentation.figures import (
    date_text,
    local_time,
    noon_or_midnight,
    plain_number,
    with_tax,
)
from planners.accounts.money import format_money
from planners.home.allotments import plans_together
from planners.local_time.conversion import local_date
from planners.local_time.departures import coming_night, night_bounds
from planners.rates.composed_rates import series_in, standing_charge_on

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence
    from datetime import date, datetime

    import numpy as np
    from numpy.typing import NDArray

    from config.calendar.tables import Calendar
    from config.household.household_file import HouseholdFile
    from config.tariffs.band import Band
    from config.tariffs.tariff import PlainComponent, Tariff
    from daemon.control.state import House
    from planners.rates.prices import Prices
    from planners.rates.runs import Rates

MOST_PARTS = 6
"""The hours of a band are listed if they fall into at most this many parts."""

TOGETHER = (
    "Vehicles that are plugged in at the same time keep the sum of their power to it together."
)
APART = "Each vehicle is planned as if no other charged at the same time."

_HOLIDAYS_NAMED = 2


def explain_tariffs(house: House, now: datetime) -> Iterator[str]:
    """Explain every tariff of a household.

    Parameters
    ----------
    house : House
        The household file and the rates.
    now : datetime
        UTC; decides which tariff is in force, and which dates are next.

    Yields
    ------
    str
        Lines of text.
    """
    for prices in house.prices.meters:
        yield from _of_meter(house, prices, now)


def _of_meter(house: House, prices: Prices, now: datetime) -> Iterator[str]:
    """Explain the tariffs of the home's meter, or of a charge point's own."""
    file, tariffs = house.file, prices.tariffs
    today = local_date(now, file.zone)
    first = tariffs[0].valid_from
    meter = of_meter(house, prices).replace(" at ", " of the meter of ")
    yield ""
    yield f"Tariffs{meter}, tax included:"
    if first is not None and today < first:
        yield f"  None is in force yet: {tariffs[0].name} is the first."
    for place, tariff in enumerate(tariffs):
        yield f"  {tariff.name}{_validity(tariffs, place, today)}:"
        yield f"    Standing charge: {_standing_charge(tariff, file.household.currency, today)}."
        yield from fee_lines(tariff, file.household.currency, today)
        yield from (f"    {line}" for line in minimum_sentences(tariff, file.household.currency))
        yield from (f"    {line}" for line in capacity_sentences(tariff, file.household.currency))
        if tariff.capacity_charge is not None:
            yield from (f"    {line}" for line in _who_counts(file))
        if not tariff.is_composed:
            yield from _energy(file, prices.rates[place], tariff, now)
            yield from date_lines(tariff, today)
            yield from announced_lines(prices, place, now)
            continue
        yield "    A kWh costs the sum of what follows."
        for component in tariff.plain_components:
            yield from _component(file, prices.rates[place], component, now)
        yield from percentage_lines(tariff)
        yield from date_lines(tariff, today)
        yield from announced_lines(prices, place, now)


def _who_counts(file: HouseholdFile) -> Iterator[str]:
    """Say which charge points a capacity charge counts, if there are several."""
    own = [name for name, point in file.charge_points.items() if point.tariff]
    if len(file.charge_points) - len(own) > 1:
        yield TOGETHER if plans_together(file) else APART
    if own:
        yield f"What {listed(own)} draws has a meter of its own, and does not count."


def _energy(file: HouseholdFile, rates: Rates, tariff: Tariff, now: datetime) -> Iterator[str]:
    """Explain the rates of a plain tariff, or of one component of the tariff with these rates."""
    series = series_in(rates)
    if tariff.prices is not None and series is not None:
        yield from price_lines(file, tariff, series)
    else:
        for kind, of_kind, _places in tariff.by_kind:
            yield f"    On days of {kind}:"
            yield from (f"  {line}" for line in _bands(of_kind, file.household.currency))
        if not tariff.by_kind:
            yield from _bands(tariff, file.household.currency)
        yield f"    {_holidays(file, tariff, local_date(now, file.zone))}"
        yield from clock_lines(tariff, file.zone, now)


def _component(
    file: HouseholdFile, rates: Rates, component: PlainComponent, now: datetime
) -> Iterator[str]:
    title = f"    {component.name}{dates_in_words(component)}:"
    bands = component.tariff.bands or ()
    if [band.hours for band in bands] == [None]:
        yield f"{title} {_rate(bands[0], component.tariff, file.household.currency)}."
        return
    yield title
    for line in _energy(file, rates, component.tariff, now):
        yield f"  {line}"


def _validity(tariffs: Sequence[Tariff], place: int, today: date) -> str:
    """Say from when until when a tariff is in force, and whether it is now."""
    tariff, later = tariffs[place], tariffs[place + 1 : place + 2]
    begins = tariff.valid_from
    ends = next((each.valid_from - timedelta(days=1) for each in later if each.valid_from), None)
    text = f", from {date_text(begins)}" if begins else ""
    text += f", until {date_text(ends)}" if ends else ""
    if begins is not None and today < begins:
        return f"{text}, not in force yet"
    if ends is not None and ends < today:
        return f"{text}, no longer in force"
    return f"{text}, in force now"


def _standing_charge(tariff: Tariff, currency: str, today: date) -> str:
    if not tariff.standing_charge:
        return "none"
    if tariff.is_composed:
        before = plain_number(tariff.standing_charge)
        if tariff.fees:
            return f"{before} {currency} a day, before percentages"
        whole = plain_number(standing_charge_on(tariff, today))
        changed = f" ({before} before percentages)" if whole != before else ""
        return f"{whole} {currency} a day{changed}"
    return with_tax(tariff.standing_charge, tariff, f"{currency} a day")


def _bands(tariff: Tariff, currency: str) -> Iterator[str]:
    table = band_table(tariff)
    before = ""
    for place, band in enumerate(tariff.bands or ()):
        title = f"    {band.name}: {_rate(band, tariff, currency)}."
        if title != before:
            yield title
        before = title
        yield f"      {_hours(band, table == place, tariff.calendar)}"


def _rate(band: Band, tariff: Tariff, currency: str) -> str:
    unit = f"{currency} per kWh"
    if band.rate is not None:
        return with_tax(band.rate, tariff, unit)
    tiers = []
    for tier in band.tiers or ():
        rate = with_tax(tier.rate, tariff, unit)
        if tier.up_to_kwh:
            rate += f" up to {plain_number(tier.up_to_kwh)} kWh a {tariff.tiers_unit}"
        tiers.append(rate)
    usual = plain_number(tariff.usual_kwh or Decimal(0))
    return (
        f"{', then '.join(tiers)}. The rest of the home uses {usual} kWh a {tariff.tiers_unit}, and"
        " charging comes on top"
    )


def _hours(band: Band, mask: NDArray[np.bool_], calendar: Calendar) -> str:
    """Say when a band applies, and for how much of a week."""
    parts = parts_in_words(mask, calendar)
    if not parts:
        return "Never: the other bands cover every hour."
    when = "; ".join(parts)
    if len(parts) > MOST_PARTS:
        when = "different hours by day and month"
    if band.hours is None and when != "at all hours":
        when = f"every other hour: {when}"
    return f"{when[0].upper()}{when[1:]}. In total {hours_of_week(mask, calendar)}."


def _holidays(file: HouseholdFile, tariff: Tariff, today: date) -> str:
    code = file.household.public_holidays
    if code is None or not names_holidays(tariff):
        return "Public holidays are treated as ordinary days: no band lists holiday."
    coming = (
        day
        for year in (today.year, today.year + 1)
        for day in sorted(holiday_dates(code, year))
        if day >= today
    )
    dates = " and ".join(
        f"{WEEKDAY_NAMES[day.weekday()]} {date_text(day)}"
        for day in islice(coming, _HOLIDAYS_NAMED)
    )
    return f"Public holidays of {code} have their own hours: the next are {dates}."


def explain_tonight(house: House, now: datetime) -> Iterator[str]:
    """Explain what each hour of tonight costs, or why that is not known.

    Parameters
    ----------
    house : House
        The household file and the rates.
    now : datetime
        UTC; decides which night is tonight.

    Yields
    ------
    str
        Lines of text.
    """
    for prices in house.prices.meters:
        yield from _tonight(house, prices, now)


def _tonight(house: House, prices: Prices, now: datetime) -> Iterator[str]:
    zone, currency = house.file.zone, house.file.household.currency
    night = coming_night(now, house.file.days)
    start, end = night_bounds(night, house.file.days)
    day = local_time(start, zone, "%a %d %b")
    edges = f"{noon_or_midnight(start, zone)} to {noon_or_midnight(end, zone)}"
    name = "Tonight" if house.file.days.end_of(night) == "noon" else "Today"
    yield ""
    yield f"{name}{of_meter(house, prices)}, {day} {edges}, tax included:"
    try:
        spans = prices.spans(start, end)
        standing = prices.standing_charge(night)
    except TariffError as error:
        yield f"  It can't be planned: {error}."
        return
    for span in spans:
        hours = f"{local_time(span.start, zone, '%H:%M')} to {local_time(span.end, zone, '%H:%M')}"
        hours = f"{'all day':<14}" if len(spans) == 1 else hours
        estimated = " (estimated: not known)" if span.estimated else ""
        rate = f"{span.rate:.4f} {currency} per kWh"
        yield f"  {hours}  {span.band:<10} {rate}  ({span.tariff}){estimated}"
    if standing:
        yield f"  Standing charge: {format_money(standing, currency)} a day."

"""Say in a reader's words what a month took and cost: by band, by vehicle, by night. Pure.

`lullwatt month` says more, in English; the page shows that below.
"""

from __future__ import annotations

from dataclasses import dataclass
from decimal import Decimal
from itertools import groupby
from typing import TYPE_CHECKING, Final

from config.fields.value_types import WATT_HOURS_PER_KWH
from daemon.page.past import NOBODY_THERE, level_after, month_line
from daemon.page.troubles import past_alerts
from daemon.page_record.night_view import BandCells, band_cells, carbon_sentences
from planners.local_time.departures import night_of

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence
    from datetime import date, datetime

    from daemon.night_log.month import BandSum, Month, NightRow
    from daemon.page.past import Levels
    from daemon.page.troubles import PastAlert
    from daemon.page.words import Words

MOST_RATES: Final = 8
"""A band with more rates than this, such as prices by the hour, gets a single row."""


@dataclass(frozen=True, slots=True)
class NightCells:
    """A row of the table of nights."""

    night: date
    name: str
    vehicle: str
    kwh: str
    cost: str
    at_once: str
    levels: str
    is_short: bool


@dataclass(frozen=True, slots=True)
class MonthView:
    """A month as the page shows it.

    Attributes
    ----------
    sentences : tuple of str
        Energy, cost, what it saved, what is amiss or estimated.
    bands : tuple of BandCells
        Energy and cost by band and rate.
    bill : tuple of (str, str)
        What the month comes to: a name and an amount each; empty if nothing but energy counts.
    vehicles : tuple of (str, str, str)
        Energy and cost of each vehicle; empty if there is only one.
    nights : tuple of NightCells
        The latest first.
    alerts : tuple of PastAlert
        The latest first.
    """

    sentences: tuple[str, ...]
    bands: tuple[BandCells, ...]
    bill: tuple[tuple[str, str], ...]
    vehicles: tuple[tuple[str, str, str], ...]
    nights: tuple[NightCells, ...]
    alerts: tuple[PastAlert, ...]


def month_view(
    month: Month, now: datetime, words: Words, levels: Levels = NOBODY_THERE
) -> MonthView:
    """Return what the page says of a month.

    Parameters
    ----------
    month
        The month.
    now
        UTC.
    words
        The reader's.
    levels
        Where a vehicle is there now, and its level.

    Returns
    -------
    MonthView
        In the reader's words.
    """
    sums = month.by_vehicle if len(month.by_vehicle) > 1 else ()
    carbon = (each for kind in month.carbon for each in carbon_sentences(kind, words))
    return MonthView(
        sentences=(*month_line(month, now, words).sentences, *carbon),
        bands=tuple(_bands(month, words)),
        bill=tuple(_bill(month, now, words)),
        vehicles=tuple(
            (each.vehicle, _kwh(each.wh, words), words.money(each.cost, month.currency))
            for each in sums
        ),
        nights=tuple(
            _night(row, month.currency, level_after(row, now, words, levels), words)
            for row in reversed(month.nights)
        ),
        alerts=past_alerts(month.alerts, now, words),
    )


def _kwh(wh: int, words: Words) -> str:
    return words.kwh(wh / WATT_HOURS_PER_KWH)


def _bands(month: Month, words: Words) -> Iterator[BandCells]:
    lines = sorted(month.by_band, key=lambda line: (line.band, line.rate))
    for _, group in groupby(lines, lambda line: line.band):
        of_band = list(group)
        if len(of_band) <= MOST_RATES:
            yield from band_cells(of_band, month.currency, words)
        else:
            yield _many_rates(of_band, month.currency, words)


def _many_rates(lines: Sequence[BandSum], currency: str, words: Words) -> BandCells:
    lowest, highest = (words.rate(lines[place].rate, currency) for place in (0, -1))
    [whole] = band_cells([lines[0]], currency, words)
    return BandCells(
        whole.band,
        _kwh(sum(line.wh for line in lines), words),
        words.say("{lowest} to {highest}", lowest=lowest, highest=highest),
        words.money(sum((line.cost for line in lines), Decimal(0)), currency),
    )


def _bill(month: Month, now: datetime, words: Words) -> Iterator[tuple[str, str]]:
    charge = month.capacity
    by_month = charge.charge if charge is not None and charge.per == "month" else Decimal(0)
    if not month.standing_charge and not by_month and not month.top_up:
        return
    yield words.say("Energy"), words.money(month.cost, month.currency)
    if month.standing_charge:
        this, name = night_of(now, words.days), words.say("Standing charge")
        if (month.year, month.month) == (this.year, this.month):
            name = words.say("Standing charge, for the whole month")
        yield name, words.money(month.standing_charge, month.currency)
    if month.top_up:
        yield words.say("Up to the minimum bill"), words.money(month.top_up, month.currency)
    if charge is not None and by_month:
        name = words.say("Highest power, {kw} kW", kw=words.number(float(charge.billed_kw), 2))
        yield name, words.money(by_month, month.currency)
    yield words.say("Together"), words.money(month.together, month.currency)


def _night(row: NightRow, currency: str, after_percent: float | None, words: Words) -> NightCells:
    levels = [row.soc_before_percent, after_percent]
    return NightCells(
        night=row.night,
        name=words.whole_date(row.night),
        vehicle=row.vehicle,
        kwh=_kwh(row.energy_wh, words),
        cost=words.money(row.cost, currency),
        at_once="" if row.at_once is None else words.money(row.at_once, currency),
        levels=" → ".join("?" if each is None else words.percent(each) for each in levels),
        is_short=not row.need_met,
    )

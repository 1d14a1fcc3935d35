"""Compute the figures of a month's pictures, before anything is drawn. Pure.

A position in a night is the number of hours since the noon of its date, even if the clock changed;
since the midnight before it in a month whose account has days that begin there.
"""

from __future__ import annotations

import calendar
from datetime import date, time, timedelta
from decimal import Decimal
from itertools import accumulate
from typing import TYPE_CHECKING, NamedTuple

from daemon.night_log.month import RULES
from daemon.tariff.chart import QUARTER, hours_since
from planners.local_time.conversion import instant_of_local
from planners.local_time.departures import night_bounds
from planners.local_time.settlement import ONE_DAY

if TYPE_CHECKING:
    from collections.abc import Sequence
    from datetime import datetime
    from zoneinfo import ZoneInfo

    from config.calendar.account_days import AccountDays
    from daemon.night_log.month import EnergyFlow, Month, NightRow
    from planners.rates.spans import RateSpan

SMALLEST_BAR = 0.15
"""Smallest height of a bar, so that a little energy is visible [share of the highest]."""
MOST_KEYS = 6
"""If there are more rates, the legend shows the lowest, the middle and the highest."""
RULE_WORDS = {"paid": "paid"} | RULES


class Shade(NamedTuple):
    """A span at one rate; `tone` goes from 0 at the lowest rate to 1 at the highest."""

    start: float
    end: float
    tone: float
    estimated: bool


class FlowBar(NamedTuple):
    """A half-hour in which energy flowed; `height` is a share of the highest power.

    `roof_share` of its energy came from the home's own roof.
    """

    start: float
    end: float
    height: float
    roof_share: float = 0.0


class Lane(NamedTuple):
    """One charge point in one night; `plugged` is from when to when, or None."""

    charge_point: str
    plugged: tuple[float, float] | None
    bars: tuple[FlowBar, ...]


class NightStrip(NamedTuple):
    """One day of the month in the picture of hours.

    Attributes
    ----------
    night : date
        The local date.
    hours : float
        Length of the night: 24, or less or more where the clock or the account changes [hours].
    ends : float
        Where it ends [hours since the axis begins].
    clock_change : float or None
        When the clock changes [hours since the axis begins].
    shades : tuple of Shade
        The rates, in order; empty if unknown.
    lanes : tuple of Lane
        One for each charge point of the month; empty if no night was recorded.
    kwh : float or None
        Energy of all charge points [kWh]; None if no night was recorded.
    kept : bool
        False if energy flowed, but its hours are not known: no longer kept, or not shared.
    short : bool
        Whether a vehicle had less than it needed by its departure.
    """

    night: date
    hours: float
    ends: float
    clock_change: float | None
    shades: tuple[Shade, ...]
    lanes: tuple[Lane, ...]
    kwh: float | None
    kept: bool
    short: bool


class BandStack(NamedTuple):
    """The energy of one band, for each day of the month [kWh]."""

    band: str
    kwh: tuple[float, ...]


class CostLine(NamedTuple):
    """The unrounded cost by a rule from the first day to each day [currency]."""

    rule: str
    costs: tuple[Decimal, ...]


class RateKey(NamedTuple):
    """A rate for the legend, with its band, if it has one, and its tone."""

    band: str
    rate: Decimal
    tone: float


def days_of(month: Month) -> tuple[date, ...]:
    """List the dates of the month."""
    count = calendar.monthrange(month.year, month.month)[1]
    return tuple(date(month.year, month.month, day) for day in range(1, count + 1))


def charge_points_of(month: Month) -> tuple[str, ...]:
    """List the charge points of the month, by name."""
    return tuple(sorted({row.charge_point for row in month.nights}))


def axis_begins(month: Month) -> int:
    """Return the hour at which the axis of a month's hours begins: 12, or 0."""
    days, dates = month.days, days_of(month)
    ends = {days.end_of(day) for day in (dates[0] - ONE_DAY, *dates)}
    return 12 if ends == {"noon"} else 0


class _Axis(NamedTuple):
    """The axis of a month's hours."""

    days: AccountDays
    first_hour: int

    def origin(self, day: date) -> datetime:
        """Return the instant at which a day's axis begins."""
        return instant_of_local(day, time(self.first_hour), self.days.zone)


def night_strips(month: Month) -> tuple[NightStrip, ...]:
    """Lay out each day of the month: rates, and the hours in which energy flowed."""
    axis = _Axis(month.days, axis_begins(month))
    tones = _Tones.of(month)
    highest = max((_kw(flow.wh, flow.start, flow.end) for flow in _flows(month)), default=1.0)
    by_day: dict[date, list[NightRow]] = {day: [] for day in days_of(month)}
    for row in month.nights:
        by_day[row.night].append(row)
    points = charge_points_of(month)
    return tuple(
        _night_strip(day, rows, axis, tones, _lanes(day, rows, points, axis, highest))
        for day, rows in by_day.items()
    )


def _night_strip(
    day: date, rows: Sequence[NightRow], axis: _Axis, tones: _Tones, lanes: tuple[Lane, ...]
) -> NightStrip:
    start, end = night_bounds(day, axis.days)
    origin = axis.origin(day)
    spans = next((row.rates for row in rows if row.rates), ())
    return NightStrip(
        night=day,
        hours=hours_since(start, end),
        ends=hours_since(origin, end),
        clock_change=_clock_change(origin, end, axis.days.zone),
        shades=tuple(tones.shade(span, origin) for span in spans),
        lanes=lanes,
        kwh=sum(row.energy_wh for row in rows) / 1000 if rows else None,
        kept=not any(row.energy_wh and not row.flows for row in rows),
        short=any(not row.need_met for row in rows),
    )


def joined_shades(shades: Sequence[Shade], steps: int) -> tuple[Shade, ...]:
    """Join neighbours whose tones are in the same of some steps, so that there are fewer to draw.

    Parameters
    ----------
    shades : sequence of Shade
        Those of a night, in order.
    steps : int
        How many steps of tone there are from 0 to 1.

    Returns
    -------
    tuple of Shade
        They cover the same hours; each has the tone of its first.
    """
    joined: list[Shade] = []
    for shade in shades:
        last = joined[-1] if joined else None
        if (
            last is not None
            and last.end == shade.start
            and last.estimated == shade.estimated
            and round(last.tone * steps) == round(shade.tone * steps)
        ):
            joined[-1] = last._replace(end=shade.end)
        else:
            joined.append(shade)
    return tuple(joined)


def _lanes(
    day: date, rows: Sequence[NightRow], points: Sequence[str], axis: _Axis, highest: float
) -> tuple[Lane, ...]:
    """Lay out each charge point's part of a night, if the night was recorded."""
    bounds, origin = night_bounds(day, axis.days), axis.origin(day)
    found = {row.charge_point: row for row in rows}
    lanes = (
        _lane(found[point], *bounds, origin, highest) if point in found else Lane(point, None, ())
        for point in points
    )
    return tuple(lanes) if rows else ()


def _lane(row: NightRow, start: datetime, end: datetime, origin: datetime, highest: float) -> Lane:
    first, last = max(row.plugged_since, start), min(row.closed_at, end)
    return Lane(
        row.charge_point,
        (hours_since(origin, first), hours_since(origin, last))
        if first < last and row.times_known
        else None,
        tuple(
            FlowBar(
                hours_since(origin, flow.start),
                hours_since(origin, flow.end),
                max(SMALLEST_BAR, _kw(flow.wh, flow.start, flow.end) / highest),
                flow.roof_wh / flow.wh,
            )
            for flow in row.flows
            if flow.wh
        ),
    )


def _clock_change(start: datetime, end: datetime, zone: ZoneInfo) -> float | None:
    """Find when the clock changes between two instants [hours since the first]."""
    offset = start.astimezone(zone).utcoffset()
    instants = (start + count * QUARTER for count in range((end - start) // QUARTER))
    changed = (at for at in instants if at.astimezone(zone).utcoffset() != offset)
    first = next(changed, None)
    return None if first is None else hours_since(start, first)


def _flows(month: Month) -> list[EnergyFlow]:
    return [flow for row in month.nights for flow in row.flows]


def _kw(wh: int, start: datetime, end: datetime) -> float:
    """Compute the average power between two instants [kW]."""
    return wh / 1000 / ((end - start) / timedelta(hours=1))


class _Tones(NamedTuple):
    """The month's lowest and highest rate, between which every tone lies."""

    lowest: Decimal
    highest: Decimal

    @classmethod
    def of(cls, month: Month) -> _Tones:
        rates = [span.rate for row in month.nights for span in row.rates] or [Decimal(0)]
        return cls(min(rates), max(rates))

    def tone(self, rate: Decimal) -> float:
        width = self.highest - self.lowest
        return float((rate - self.lowest) / width) if width else 0.0

    def shade(self, span: RateSpan, origin: datetime) -> Shade:
        start, end = hours_since(origin, span.start), hours_since(origin, span.end)
        return Shade(start, end, self.tone(span.rate), span.estimated)


def rate_keys(month: Month) -> tuple[RateKey, ...]:
    """Choose the rates for the legend, from the lowest to the highest.

    Parameters
    ----------
    month : Month
        The month.

    Returns
    -------
    tuple of RateKey
        Each band at each of its rates; if these are too many, the lowest, middle and highest rate.
    """
    found = {(span.rate, span.band) for row in month.nights for span in row.rates}
    tones = _Tones.of(month)
    if len(found) <= MOST_KEYS:
        return tuple(RateKey(band, rate, tones.tone(rate)) for rate, band in sorted(found))
    middle = (tones.lowest + tones.highest) / 2
    return tuple(
        RateKey("", rate, tones.tone(rate)) for rate in (tones.lowest, middle, tones.highest)
    )


def band_stacks(month: Month) -> tuple[BandStack, ...]:
    """Sum up each band's energy on each day, the band cheapest on average first."""
    days = days_of(month)
    wh: dict[str, dict[date, int]] = {}
    for row in month.nights:
        for line in row.by_band:
            of_band = wh.setdefault(line.band, dict.fromkeys(days, 0))
            of_band[row.night] += line.wh
    averages = _average_rates(month)
    return tuple(
        BandStack(band, tuple(wh[band][day] / 1000 for day in days))
        for band in sorted(wh, key=lambda band: (averages[band], band))
    )


def _average_rates(month: Month) -> dict[str, Decimal]:
    """Compute each band's average rate; without energy, its rate [currency per kWh]."""
    sums: dict[str, tuple[int, Decimal, Decimal]] = {}
    for line in month.by_band:
        wh, cost, _ = sums.get(line.band, (0, Decimal(0), line.rate))
        sums[line.band] = wh + line.wh, cost + line.cost, line.rate
    return {band: cost * 1000 / wh if wh else rate for band, (wh, cost, rate) in sums.items()}


def cost_lines(month: Month) -> tuple[CostLine, ...]:
    """Add up what was paid and what each rule would have cost, day by day.

    Parameters
    ----------
    month : Month
        The month.

    Returns
    -------
    tuple of CostLine
        ``"paid"`` first, then each rule that is known for any night. If a rule's cost is unknown
        for a night, what was paid counts in its place, so that the lines end as far apart as the
        known costs.
    """
    known = [
        rule for rule in RULES if any(rule_cost(row, rule) is not None for row in month.nights)
    ]
    return tuple(CostLine(rule, _cumulated(month, rule)) for rule in ("paid", *known))


def _cumulated(month: Month, rule: str) -> tuple[Decimal, ...]:
    by_day = dict.fromkeys(days_of(month), Decimal(0))
    for row in month.nights:
        cost = rule_cost(row, rule)
        by_day[row.night] += row.cost if cost is None else cost
    return tuple(accumulate(by_day.values()))


def rule_cost(row: NightRow, rule: str) -> Decimal | None:
    """Return a night's cost by one of `RULES`, or what was ``"paid"`` [currency]."""
    cost: Decimal | None = getattr(row, "cost" if rule == "paid" else rule)
    return cost

"""Lay a tariff's rates over the ticks of a year, and price energy.

Energy and cost are summed by bill lines: a tariff by bands has a line for each band, or for each
tier of a band, and a price series has a single line without a rate.
"""

from __future__ import annotations

from calendar import monthrange
from dataclasses import dataclass, replace
from datetime import UTC, datetime, timedelta
from typing import TYPE_CHECKING

import numpy as np

from config.fields.value_types import WATT_HOURS_PER_KWH
from planners.local_time.conversion import DAY_MINUTES, date_of, day_number, minute_of
from planners.local_time.zone_offsets import offsets_between
from planners.rates.series_rates import BAND

if TYPE_CHECKING:
    from datetime import date
    from decimal import Decimal

    from numpy.typing import NDArray

    from planners.rates.prices import Prices, RateSpan
    from planners.rates.usage_tiers import UsageTiers
    from planners.year.capacity import YearCapacity
    from planners.year.sun import YearSun

MONTHS = 12

CHEAP_SHARE = 0.25
"""Share of the year's ticks that count as cheap in a price series."""


@dataclass(frozen=True, slots=True)
class BillLine:
    """A line of the year's bill: a band and its rate (None for a series)."""

    band: str
    rate: Decimal | None


@dataclass(frozen=True, slots=True, eq=False)
class YearMinimum:
    """The minimum bills of a calendar year's months.

    Attributes
    ----------
    month : ndarray of int, shape (ticks,)
        Local month of each tick, 0 to 11; 12 outside the year.
    missing : ndarray of float, shape (12,)
        What is missing from the least bill of each month without charging; below 0 if nothing is
        [currency].
    """

    month: NDArray[np.intp]
    missing: NDArray[np.float64]


@dataclass(frozen=True, slots=True, eq=False)
class YearRates:
    """The rates of a year under one tariff.

    Attributes
    ----------
    start : datetime
        When the first tick begins, UTC.
    tick_minutes : int
        Length of a tick [min].
    rates : ndarray of float, shape (ticks,)
        Rate of each tick, tax included [currency per kWh]; for a band with tiers, that of the next
        kWh after the usual use.
    estimated : ndarray of bool, shape (ticks,)
        Whether the rate is estimated from earlier days.
    lines : tuple of BillLine
        The bill's lines, in the tariff's order.
    line : ndarray of int, shape (ticks,)
        Index of each tick's line; for a band with tiers, of its first.
    line_rates : ndarray of float, shape (lines,)
        Rate of each line; nan for a price series [currency per kWh].
    tiers : mapping of int to UsageTiers
        Tiers by the index of their band's first line.
    period : ndarray of int, shape (ticks,)
        The local day or month of each tick, in which use is counted; all 0 without tiers.
    capacity : YearCapacity or None
        The tariff's capacity charge, if it has one.
    minimum : YearMinimum or None
        Its minimum bill, if it has one.
    sun : YearSun or None
        What the home's own roofs leave for charging, if they are behind the same meter.
    """

    start: datetime
    tick_minutes: int
    rates: NDArray[np.float64]
    estimated: NDArray[np.bool_]
    lines: tuple[BillLine, ...]
    line: NDArray[np.intp]
    line_rates: NDArray[np.float64]
    tiers: dict[int, UsageTiers]
    period: NDArray[np.int64]
    capacity: YearCapacity | None = None
    minimum: YearMinimum | None = None
    sun: YearSun | None = None

    @property
    def tick_hours(self) -> float:
        """Length of a tick [h]."""
        return self.tick_minutes / 60

    @property
    def is_series(self) -> bool:
        """Whether these are the rates of a price series."""
        return self.lines[0].rate is None

    @property
    def cheapest(self) -> NDArray[np.bool_]:
        """Ticks in the cheapest band, or of a series the cheapest quarter, shape (ticks,)."""
        if self.is_series:
            return np.asarray(self.rates <= np.quantile(self.rates, CHEAP_SHARE), np.bool_)
        return np.asarray(self.rates == self.rates.min(), np.bool_)

    @property
    def affected(self) -> NDArray[np.bool_]:
        """Ticks whose rates `with_added` changes, shape (ticks,)."""
        return np.ones_like(self.rates, np.bool_) if self.is_series else self.cheapest

    def ticks_until(self, instant: datetime) -> int:
        """Count the whole ticks from the start until an instant."""
        return (instant - self.start) // timedelta(minutes=self.tick_minutes)

    def instant_of_tick(self, tick: int) -> datetime:
        """Return the instant at which a tick begins, UTC."""
        return self.start + tick * timedelta(minutes=self.tick_minutes)

    def with_added(self, more: float) -> YearRates:
        """Return the rates with the cheapest band, or a series, dearer by `more`."""
        ticks = self.affected
        touched = np.unique(self.line[ticks])
        rates = self.line_rates.copy()
        for first in touched.tolist():
            rates[first : first + self._tier_count(first)] += more
        return replace(self, rates=self.rates + more * ticks, line_rates=rates)

    def _tier_count(self, first: int) -> int:
        return len(self.tiers[first].rates) if first in self.tiers else 1

    def capacity_charge(self, kwh: NDArray[np.float64]) -> float:
        """Return the capacity charge of the home with so much charging in each tick [currency]."""
        return 0.0 if self.capacity is None else self.capacity.charge(kwh)

    def top_up(self, kwh: NDArray[np.float64]) -> float:
        """Return what minimum bills add with so much charging in each tick [currency]."""
        if self.minimum is None:
            return 0.0
        charging = self.cost_by_month(kwh, self.minimum.month)
        return float(np.maximum(0.0, self.minimum.missing - charging).sum())

    def cost_by_month(
        self, kwh: NDArray[np.float64], month: NDArray[np.intp], *, beside_home: bool = True
    ) -> NDArray[np.float64]:
        """Price the energy of each month by itself.

        Parameters
        ----------
        kwh : ndarray of float, shape (ticks,)
            Energy through the meter in each tick [kWh].
        month : ndarray of int, shape (ticks,)
            See `YearMinimum`.
        beside_home : bool
            As in `priced`.

        Returns
        -------
        ndarray of float, shape (12,)
            What it costs [currency].
        """
        parts = (np.where(month == number, kwh, 0.0) for number in range(MONTHS))
        return np.array([self.priced(each, beside_home=beside_home)[1].sum() for each in parts])

    def priced(
        self, kwh: NDArray[np.float64], *, beside_home: bool = True
    ) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
        """Sum energy by bill lines, and price it.

        Parameters
        ----------
        kwh : ndarray of float, shape (ticks,)
            Energy through the meter in each tick [kWh].
        beside_home : bool
            Whether it adds to the home's usual use, which matters if rates change with use.

        Returns
        -------
        tuple of ndarray of float, each of shape (lines,)
            Energy [kWh] and cost [currency].
        """
        energy = np.bincount(self.line, kwh, len(self.lines)).astype(np.float64)
        if self.is_series:
            return energy, np.array([float(kwh @ self.rates)])
        for first, tiers in self.tiers.items():
            parts = self._by_tier(kwh, tiers, beside_home=beside_home)
            energy[first : first + len(parts)] = parts[:, self.line == first].sum(axis=1)
        return energy, energy * self.line_rates

    def _days_of_periods(self) -> NDArray[np.float64]:
        """Return how many days the month of each tick has."""
        firsts, places = np.unique(self.period, return_inverse=True)
        days = np.array([_days_in(date_of(first)) for first in firsts.tolist()], np.float64)
        return np.asarray(days[places], np.float64)

    def _by_tier(
        self, kwh: NDArray[np.float64], tiers: UsageTiers, *, beside_home: bool
    ) -> NDArray[np.float64]:
        """Divide each tick's energy among tiers; energy drawn in other bands counts too."""
        upto = np.cumsum(kwh)
        firsts = np.searchsorted(self.period, self.period)
        before = np.concatenate(([0.0], upto))[firsts]
        days = self._days_of_periods() if tiers.per == "days_of_month" else np.ones(1)
        usual = days * (tiers.usual_wh / WATT_HOURS_PER_KWH) if beside_home else 0.0
        used = upto - before + usual
        ends = days * (np.array([*tiers.ends_wh, np.inf]) / WATT_HOURS_PER_KWH)[:, None]
        begins = np.concatenate((np.zeros_like(ends[:1]), ends[:-1]))
        reached = np.minimum(used, ends) - np.maximum(used - kwh, begins)
        parts: NDArray[np.float64] = np.maximum(reached, 0.0)
        return parts


def _days_in(month: date) -> int:
    return monthrange(month.year, month.month)[1]


def year_rates(prices: Prices, start: datetime, end: datetime, tick_minutes: int) -> YearRates:
    """Lay a household's only tariff over the ticks of a year.

    Parameters
    ----------
    prices : Prices
        Its rates.
    start, end : datetime
        UTC; the ticks cover all of the time between, and less than a tick beyond.
    tick_minutes : int
        The wanted tick; a divisor of it is taken if rates change inside one.

    Returns
    -------
    YearRates
        The rates.

    Raises
    ------
    TariffError
        If no rate is known.
    """  # noqa: DOC502 - raised by prices
    step = prices.step_minutes(start, end, tick_minutes)
    first = prices.tick_from(start - timedelta(minutes=step - 1), step)
    ticks = -((first - end) // timedelta(minutes=step))
    grid = prices.grid(first, ticks, step)
    lines, places = _lines(prices, grid.spans)
    counts = [(span.end - span.start) // timedelta(minutes=step) for span in grid.spans]
    line = np.repeat(np.array([places[_key(span)] for span in grid.spans], np.intp), counts)
    tiers = {places[_key(span)]: span.tiers for span in grid.spans if span.tiers}
    return YearRates(
        start=first.astimezone(UTC),
        tick_minutes=step,
        rates=grid.rates,
        estimated=grid.estimated,
        lines=lines,
        line=line,
        line_rates=np.array([np.nan if line.rate is None else float(line.rate) for line in lines]),
        tiers=tiers,
        period=_periods(prices, first, ticks, step, tiers),
    )


def _key(span: RateSpan) -> tuple[str, object]:
    if span.band == BAND:
        return BAND, None
    return span.band, span.tiers or span.rate


def _lines(
    prices: Prices, spans: tuple[RateSpan, ...]
) -> tuple[tuple[BillLine, ...], dict[tuple[str, object], int]]:
    """List the lines in the tariff's order, and the index of each band's first line."""
    order = [band.name for band in prices.tariffs[0].bands or ()]
    bands = {_key(span): span for span in spans}
    lines: list[BillLine] = []
    places: dict[tuple[str, object], int] = {}
    for key, span in sorted(bands.items(), key=lambda each: _rank(order, each[1])):
        places[key] = len(lines)
        if key[1] is None:
            lines.append(BillLine(span.band, None))
        else:
            rates = span.tiers.rates if span.tiers else (span.rate,)
            lines.extend(BillLine(span.band, rate) for rate in rates)
    return tuple(lines), places


def _rank(order: list[str], span: RateSpan) -> tuple[int, Decimal]:
    return (order.index(span.band) if span.band in order else len(order), span.rate)


def _periods(
    prices: Prices, start: datetime, ticks: int, step: int, tiers: dict[int, UsageTiers]
) -> NDArray[np.int64]:
    if not tiers:
        return np.zeros(ticks, np.int64)
    minutes = minute_of(start) + step * np.arange(ticks)
    local = offsets_between(prices.zone, int(minutes[0]), int(minutes[-1]) + 1).to_local(minutes)
    days: NDArray[np.int64] = local // DAY_MINUTES
    if next(iter(tiers.values())).per == "day":
        return days
    starts = {day: day_number(date_of(day).replace(day=1)) for day in np.unique(days).tolist()}
    return np.array([starts[day] for day in days.tolist()], np.int64)

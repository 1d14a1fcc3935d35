"""Look up what a kWh costs at any instant, from a household's tariffs.

Other rooms ask this module. They see UTC instants and rates, but no local time, bands, price series
or taxes.
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from datetime import UTC, date, datetime
from decimal import Decimal
from functools import lru_cache
from itertools import pairwise
from math import gcd
from typing import TYPE_CHECKING

import numpy as np

from planners.carbon.outlook import CarbonOutlook
from planners.generation.outlook import Outlook
from planners.local_time.conversion import MINUTE, instant_of, local_date, minute_of
from planners.local_time.zone_offsets import offset_at, offsets_between
from planners.rates.composed_rates import RateLine, rate_lines, rates_of, standing_charge_on
from planners.rates.in_force import TariffsInForce
from planners.rates.spans import RateGrid, RateSpan

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping, Sequence
    from zoneinfo import ZoneInfo

    from config.files.announcements import RateNews
    from config.household.household_file import HouseholdFile
    from config.tariffs.tariff import Tariff
    from planners.rates.runs import RateRun, Rates

__all__ = ["Prices", "RateGrid", "RateSpan", "prices_of"]


@dataclass(frozen=True, slots=True, eq=False)
class Prices:
    """The rates of all tariffs of one meter, the home's or a charge point's. Made by `prices_of`.

    Attributes
    ----------
    zone : ZoneInfo
        The household's zone.
    tariffs : tuple of Tariff
        In the order in which they come into force.
    rates : tuple of Rates
        The rates of each.
    in_force : TariffsInForce
        Which tariff is in force when.
    own : mapping of str to Prices
        The rates of each charge point that has a meter of its own.
    sun : Outlook or None
        What the home's own roofs are expected to give; None without any.
    export : Prices or None
        What is paid for what they give to the grid; None without any.
    carbon : CarbonOutlook or None
        The carbon of the grid's power; None if the household declares nothing of it. It is no part
        of any rate.
    """

    zone: ZoneInfo
    tariffs: tuple[Tariff, ...]
    rates: tuple[Rates, ...]
    in_force: TariffsInForce
    own: Mapping[str, Prices] = field(default_factory=dict)
    sun: Outlook | None = None
    export: Prices | None = None
    carbon: CarbonOutlook | None = None

    def with_carbon(self, carbon: CarbonOutlook | None) -> Prices:
        """Return the same rates with another outlook of carbon, at every meter.

        Parameters
        ----------
        carbon : CarbonOutlook or None
            What is known of it.

        Returns
        -------
        Prices
            Who names the same tariffs shares one still.
        """
        made = {each: replace(each, carbon=carbon) for each in dict.fromkeys(self.own.values())}
        own = {name: made[each] for name, each in self.own.items()}
        return replace(self, carbon=carbon, own=own)

    def at(self, charge_point: str) -> Prices:
        """Return the rates at which a charge point's energy is bought.

        Parameters
        ----------
        charge_point : str
            Its name in the household file.

        Returns
        -------
        Prices
            Those of its own meter, or else these.
        """
        return self.own.get(charge_point, self)

    @property
    def meters(self) -> tuple[Prices, ...]:
        """The rates of each meter: the home's, then the others. Who names the same shares one."""
        return (self, *dict.fromkeys(self.own.values()))

    def points_of(self, meter: Prices) -> tuple[str, ...]:
        """Return the charge points that have one of `meters` as their own; none for the home's."""
        return tuple(name for name, each in self.own.items() if each is meter)

    def spans(self, start: datetime, end: datetime) -> tuple[RateSpan, ...]:
        """List the rates from one instant to another.

        Parameters
        ----------
        start, end : datetime
            Aware, in order; they need not be whole minutes.

        Returns
        -------
        tuple of RateSpan
            Without gaps, from `start` to `end`; neighbours differ. Empty if `end` is `start`.

        Raises
        ------
        ValueError
            If `end` is before `start`.

        Notes
        -----
        Raises `TariffError` if no rate is known at some instant, as do all methods that call it.
        """
        if end < start:
            raise ValueError("the end is before the start")
        if end == start:
            return ()
        first, last = minute_of(start), minute_of(end - datetime.resolution) + 1
        runs = list(self._runs(first, last))
        # Only part of the first and of the last minute may lie between start and end.
        inner = (instant_of(run.first) for run, _ in runs[1:])
        edges = [start.astimezone(UTC), *inner, end.astimezone(UTC)]
        return tuple(
            RateSpan(begins, ends, run.rate, run.band, tariff, run.estimated, run.tiers)
            for (begins, ends), (run, tariff) in zip(pairwise(edges), runs, strict=True)
        )

    def rate_at(self, instant: datetime) -> RateSpan:
        """Return the rate at an instant.

        Parameters
        ----------
        instant : datetime
            Aware.

        Returns
        -------
        RateSpan
            The whole UTC minute in which the instant lies.
        """
        # A new span each time: the periods of a plan are told apart by theirs.
        return replace(_rate_of_minute(self, minute_of(instant)))

    def composition_at(self, instant: datetime, charged_wh: int = 0) -> tuple[RateLine, ...]:
        """List what a kWh costs at an instant, line by line as a bill does.

        Parameters
        ----------
        instant : datetime
            Aware.
        charged_wh : int
            What was charged before it in its day or month, for tiers [Wh].

        Returns
        -------
        tuple of RateLine
            Components and percentages of the tariff in force; their sum is the rate.
        """
        place = self.in_force.place_on(local_date(instant, self.zone))
        tariff, rates = self.tariffs[place], self.rates[place]
        return rate_lines(tariff, rates, minute_of(instant), charged_wh)

    def grid(self, start: datetime, ticks: int, tick_minutes: int) -> RateGrid:
        """Return the rates by ticks.

        Parameters
        ----------
        start : datetime
            Start of the first tick, aware.
        ticks : int
            Number of ticks.
        tick_minutes : int
            Length of each, see `step_minutes` [min].

        Returns
        -------
        RateGrid
            A rate for every tick.

        Raises
        ------
        ValueError
            If a span begins inside a tick.
        """
        tick = tick_minutes * MINUTE
        spans = self.spans(start, start + ticks * tick)
        for span in spans:
            if (span.start - start) % tick:
                raise ValueError(f"the rate changes inside a tick, at {span.start.isoformat()}")
        counts = [(span.end - span.start) // tick for span in spans]
        return RateGrid(
            rates=np.repeat(np.array([float(span.rate) for span in spans], np.float64), counts),
            spans=spans,
            estimated=np.repeat(np.array([span.estimated for span in spans], np.bool_), counts),
        )

    def step_minutes(
        self,
        start: datetime,
        end: datetime,
        tick_minutes: int,
        spans: Sequence[RateSpan] | None = None,
    ) -> int:
        """Return the length of the longest tick inside which no rate changes.

        Nor does the carbon intensity, where plans count its price. Ticks are aligned to the local
        clock.

        Parameters
        ----------
        start, end : datetime
            Aware, in order.
        tick_minutes : int
            The tick that is wanted [min].
        spans : sequence of RateSpan, optional
            The rates of this time, if they have been looked up already.

        Returns
        -------
        int
            The largest divisor of `tick_minutes` that will do, at least 1 [min].
        """
        offsets = offsets_between(self.zone, minute_of(start), minute_of(end)).minutes.tolist()
        spans = self.spans(start, end) if spans is None else spans
        edges = [minute_of(span.start) + offsets[0] for span in spans[1:]]
        # A clock that is put on by half an hour leaves no ticks of an hour aligned.
        shifts = [later - earlier for earlier, later in pairwise(offsets)]
        if self.carbon is not None and self.carbon.has_price:
            changes = self.carbon.changes(minute_of(start), minute_of(end))
            edges += [minute + offsets[0] for minute in changes]
        return gcd(tick_minutes, *edges, *shifts)

    def tick_from(self, instant: datetime, tick_minutes: int) -> datetime:
        """Return the start of the first tick at or after an instant.

        Ticks are aligned to the local clock.

        Parameters
        ----------
        instant : datetime
            Aware.
        tick_minutes : int
            Length of a tick [min].

        Returns
        -------
        datetime
            UTC, on a whole minute.
        """
        minute = minute_of(instant - datetime.resolution) + 1
        shown = minute + offset_at(self.zone, minute)
        return instant_of(minute + -shown % tick_minutes)

    def tariff_on(self, day: date) -> Tariff:
        """Return the tariff in force on a local date.

        Parameters
        ----------
        day : date
            Local date.

        Returns
        -------
        Tariff
            As declared, before tax.
        """
        return self.tariffs[self.in_force.place_on(day)]

    def standing_charge(self, day: date) -> Decimal:
        """Return the standing charge of a local date.

        Parameters
        ----------
        day : date
            Local date.

        Returns
        -------
        Decimal
            Tax included [currency].
        """
        return standing_charge_on(self.tariff_on(day), day)

    def known_until(self, after: datetime) -> datetime | None:
        """Find the first instant whose rate is not known yet.

        Parameters
        ----------
        after : datetime
            Where to start looking, aware.

        Returns
        -------
        datetime or None
            The first from `after` on; None if all rates are known.
        """
        minute = minute_of(after)
        place = self.in_force.place_on(local_date(after, self.zone))
        unknown = self.rates[place].known_until(minute)
        for later in range(place + 1, len(self.rates)):
            change = self.in_force.begins(later)
            if unknown is not None and unknown < change:
                break
            unknown = self.rates[later].known_until(change)
        return None if unknown is None else max(instant_of(unknown), after.astimezone(UTC))

    def _runs(self, first: int, last: int) -> Iterator[tuple[RateRun, str]]:
        """List the runs from `first` until before `last`, with their tariffs."""
        current: tuple[object, ...] = ()
        for place, start, end in self.in_force.periods(first, last):
            tariff = self.tariffs[place].name
            for run in self.rates[place].runs(start, end):
                before, current = current, (*run[1:], tariff)
                if current != before:
                    yield run, tariff


@lru_cache(maxsize=256)
def _rate_of_minute(prices: Prices, minute: int) -> RateSpan:
    """Return the rate of a UTC minute; a plan's periods are asked about again and again."""
    start = instant_of(minute)
    return prices.spans(start, start + MINUTE)[0]


def prices_of(
    file: HouseholdFile,
    series: Mapping[str, Sequence[RateNews]],
    *,
    sold: Mapping[str, Sequence[RateNews]] | None = None,
    sun: Outlook | None = None,
) -> Prices:
    """Prepare a household's tariffs for looking up rates.

    Parameters
    ----------
    file : HouseholdFile
        The household.
    series : mapping of str to sequence of RateNews
        Prices and kinds of days known so far, by the name of the tariff; optional for one without.
    sold : mapping of str to sequence of RateNews, optional
        The same for export rates that follow prices of their own; without, those of `series`.
    sun : Outlook, optional
        What the home's own roofs are expected to give.

    Returns
    -------
    Prices
        The rates of the home's own meter, with those of each charge point that has one of its own.
    """
    made: dict[tuple[Tariff, ...], Prices] = {}
    own: dict[str, Prices] = {}
    for name, point in file.charge_points.items():
        tariffs = file.tariffs_at(name)
        if point.tariff is not None:
            own[name] = made.setdefault(tariffs, _prices_of(file, tariffs, series))
    prices = replace(_prices_of(file, file.home_tariffs, series), own=own)
    if file.carbon is not None:
        prices = prices.with_carbon(CarbonOutlook(file.carbon, file.zone))
    if file.generation is None:
        return prices
    exports = tuple(tariff.export_tariff for tariff in file.home_tariffs)
    export = _prices_of(file, exports, {**series, **(sold or {})})
    return replace(prices, sun=sun or Outlook(file.generation, file.zone), export=export)


def _prices_of(
    file: HouseholdFile, tariffs: tuple[Tariff, ...], series: Mapping[str, Sequence[RateNews]]
) -> Prices:
    zone, holidays = file.zone, file.household.public_holidays
    return Prices(
        zone=zone,
        tariffs=tariffs,
        rates=tuple(
            rates_of(tariff, zone, holidays, series.get(tariff.name, ())) for tariff in tariffs
        ),
        in_force=TariffsInForce.of(zone, [tariff.valid_from for tariff in tariffs]),
    )

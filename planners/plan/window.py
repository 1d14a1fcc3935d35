"""Divide the time between now and a departure into slots at one rate each."""

from __future__ import annotations

from bisect import bisect_left, bisect_right
from collections.abc import Callable
from dataclasses import dataclass, replace
from datetime import timedelta
from math import gcd
from typing import TYPE_CHECKING, NamedTuple

import numpy as np

from config.files.errors import TariffError
from planners.local_time.conversion import EPOCH, MINUTE, minute_of
from planners.surplus.two_rates import price_at

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator, Sequence
    from datetime import datetime

    from numpy.typing import NDArray

    from planners.power.allowed_currents import AmpsSpan
    from planners.rates.prices import Prices, RateSpan

HOUR = timedelta(hours=1)


class SlotCarbon(NamedTuple):
    """What a kWh causes in a slot: of the grid, and of the home's own roofs [g CO2e per kWh].

    `price_per_gram` is what plans count for it [currency], which is no part of any cost.
    """

    grid_grams: float = 0.0
    roof_grams: float = 0.0
    price_per_gram: float = 0.0
    estimated: bool = False


NO_CARBON = SlotCarbon()


class Slot(NamedTuple):
    """A slot of `hours` [h] from `start` (UTC), with one rate and highest current [A].

    In it, a plan counts on `surplus_kw` of the home's own roofs [kW], for which export would pay
    `export_rate` [currency per kWh]. `carbon` is none unless plans count a price of it.
    """

    start: datetime
    hours: float
    span: RateSpan
    amps: float
    surplus_kw: float = 0.0
    export_rate: float = 0.0
    carbon: SlotCarbon = NO_CARBON

    def end(self, share: float = 1.0) -> datetime:
        """Return the instant at which a share of the slot has passed."""
        return self.start + timedelta(hours=self.hours * share)

    def roof_kwh(self, kwh: float, share: float = 1.0) -> float:
        """Return how much of the energy bought in a share of the slot the roofs give [kWh]."""
        return min(kwh, self.surplus_kw * self.hours * share)

    def cost(self, kwh: float, share: float = 1.0) -> float:
        """Return what energy bought in a share of the slot costs [currency]."""
        roof_kwh = self.roof_kwh(kwh, share)
        return roof_kwh * self.export_rate + (kwh - roof_kwh) * float(self.span.rate)

    def grams(self, kwh: float, share: float = 1.0) -> float:
        """Return the carbon that energy bought in a share of the slot causes [g CO2e]."""
        roof_kwh = self.roof_kwh(kwh, share)
        return roof_kwh * self.carbon.roof_grams + (kwh - roof_kwh) * self.carbon.grid_grams

    @property
    def price(self) -> float:
        """What a kWh from the grid counts in a plan: its rate and its carbon [currency per kWh]."""
        return float(self.span.rate) + self.carbon.grid_grams * self.carbon.price_per_gram

    @property
    def export_price(self) -> float:
        """What a kWh from the roofs counts in a plan [currency per kWh]."""
        return self.export_rate + self.carbon.roof_grams * self.carbon.price_per_gram

    def price_at(self, kw: float) -> float:
        """Return what a kWh counts in a plan on average at some power [currency per kWh]."""
        return price_at(kw, self.surplus_kw, self.price, self.export_price)


SurplusOf = Callable[[int, int], "NDArray[np.float64]"]
"""Returns what the roofs leave in each UTC minute from one until another [kW]."""

MOST_TICKS = 1500
"""Most ticks that are laid only so that a tick ends at each deadline: a day of minutes."""


@dataclass(frozen=True, slots=True)
class Window:
    """The ticks until the vehicle must be ready, and the fragment before them.

    Attributes
    ----------
    fragment : Slot or None
        From now to the first tick; None if a tick begins now, or if there is no tick.
    ticks : tuple of Slot
        Equal slots, aligned to the local clock.
    tick_minutes : int
        Their length: the household's tick, or a divisor of it if a rate changes inside one, or if
        charging must be done inside one.
    rest : Slot or None
        From the last tick to the instant at which the vehicle must be ready; None if it ends there.
    """

    fragment: Slot | None
    ticks: tuple[Slot, ...]
    tick_minutes: int
    rest: Slot | None = None

    @property
    def tick_hours(self) -> float:
        """Length of a tick [h]."""
        return self.tick_minutes / 60

    @property
    def slots(self) -> tuple[Slot, ...]:
        """The fragment, if any, the ticks, and the rest, if any."""
        ends = (self.fragment, self.rest)
        return (*filter(None, ends[:1]), *self.ticks, *filter(None, ends[1:]))

    def until(self, instant: datetime) -> Window:
        """Return the window up to an instant; a tick that ends later is the rest, in part."""
        ticks = self.ticks[: bisect_right(self.ticks, instant, key=Slot.end)]
        rest = self.ticks[len(ticks)] if len(ticks) < len(self.ticks) else self.rest
        if rest is not None:
            hours = min(rest.hours, (instant - rest.start) / HOUR)
            rest = rest._replace(hours=hours) if hours > 0 else None
        return replace(self, ticks=ticks, rest=rest)

    @property
    def highest_amps(self) -> NDArray[np.float64]:
        """Highest current of each tick [A per phase], shape (ticks,)."""
        return np.array([tick.amps for tick in self.ticks], dtype=np.float64)

    @property
    def surplus_kw(self) -> NDArray[np.float64]:
        """Surplus of the roofs in each tick [kW], shape (ticks,)."""
        return np.array([tick.surplus_kw for tick in self.ticks], dtype=np.float64)

    @property
    def export_prices_per_kwh(self) -> NDArray[np.float64]:
        """What the roofs' energy counts in each tick [currency per kWh], shape (ticks,)."""
        return np.array([tick.export_price for tick in self.ticks], dtype=np.float64)

    @property
    def prices_per_kwh(self) -> NDArray[np.float64]:
        """Rate of each tick with its carbon's price [currency per kWh], shape (ticks,)."""
        return np.array([tick.price for tick in self.ticks], dtype=np.float64)

    @property
    def carbon_prices_per_kwh(self) -> tuple[NDArray[np.float64], NDArray[np.float64]] | None:
        """The carbon's part of both prices, grid and roofs; None if plans count none."""
        if all(tick.carbon is NO_CARBON for tick in self.ticks):
            return None
        grid = [tick.carbon.grid_grams * tick.carbon.price_per_gram for tick in self.ticks]
        roof = [tick.carbon.roof_grams * tick.carbon.price_per_gram for tick in self.ticks]
        return np.array(grid), np.array(roof)


def window_of(  # noqa: PLR0917 - each is another kind of thing
    prices: Prices,
    now: datetime,
    ready_by: datetime,
    tick_minutes: int,
    allowed: Callable[[datetime, datetime], Sequence[AmpsSpan]],
    deadlines: Sequence[datetime] = (),
    *,
    least_minutes: int = 1,
    surplus: SurplusOf | None = None,
) -> Window:
    """Lay ticks over the time from now to `ready_by`.

    Parameters
    ----------
    prices : Prices
        The household's rates.
    now, ready_by : datetime
        UTC; there are no ticks unless `ready_by` is at least a tick later.
    tick_minutes : int
        The household's tick.
    allowed : callable
        Returns the currents allowed from one instant to another, without a gap.
    deadlines : sequence of datetime
        Instants at which a tick must end, unless that makes more than `MOST_TICKS`; UTC.
    least_minutes : int
        No tick is made shorter than this for a deadline [min].
    surplus : callable, optional
        Returns what the roofs leave in each UTC minute from one to another [kW].

    Returns
    -------
    Window
        Each slot has its rate, and the highest current allowed throughout it.

    Raises
    ------
    TariffError
        If no rate is known.
    """  # noqa: DOC502 - raised by prices
    if ready_by <= now:
        return Window(None, (), tick_minutes)
    spans = prices.spans(now, ready_by)
    step_minutes = prices.step_minutes(now, ready_by, tick_minutes, spans)
    if surplus is not None:
        step_minutes = _export_step(prices, now, ready_by, step_minutes)
    ends = (each.astimezone(prices.zone).minute for each in deadlines)
    fine_minutes = _divisor(step_minutes, max(gcd(step_minutes, *ends), least_minutes))
    if (max([ready_by, *deadlines]) - now) / MINUTE <= MOST_TICKS * fine_minutes:
        step_minutes = fine_minutes
    step = timedelta(minutes=step_minutes)
    first = prices.tick_from(now, step_minutes)
    count = max(0, (ready_by - first) // step)
    if count == 0:
        return Window(None, (), step_minutes)
    end = first + count * step
    slots = [] if first == now else [(now, first - now)]
    slots += [(first + i * step, step) for i in range(count)]
    slots += [] if end == ready_by else [(end, ready_by - end)]
    found = with_sources(list(_slots(slots, spans, allowed(now, ready_by))), prices, surplus)
    fragment = found.pop(0) if first > now else None
    rest = found.pop() if end < ready_by else None
    return Window(fragment, tuple(found), step_minutes, rest)


def with_sources(slots: list[Slot], prices: Prices, surplus: SurplusOf | None) -> list[Slot]:
    """Give slots, in order of time, what the roofs leave, what export would pay, and the carbon.

    Parameters
    ----------
    slots : list of Slot
        As `_slots` yields them; there may be gaps between them.
    prices : Prices
        The household's rates.
    surplus : callable or None
        Returns what the roofs leave in each UTC minute from one to another [kW].

    Returns
    -------
    list of Slot
        The same list if nothing is left of what the roofs give, and carbon has no price.
    """
    if not slots:
        return slots
    first, last = minute_of(slots[0].start), minute_of(slots[-1].end()) + 1
    if surplus is not None and prices.export is not None:
        kw = surplus(first, last)
        if kw.sum() > 0:
            rates = _export_rates(slots, prices.export)
            slots = [
                slot._replace(surplus_kw=max(0.0, mean), export_rate=rate)
                if slot.hours > 0
                else slot
                for slot, mean, rate in zip(slots, _means(slots, kw), rates, strict=True)
            ]
    carbon = prices.carbon
    if carbon is None or not carbon.has_price:
        return slots
    grams, estimated = carbon.grams(first, last)
    pairs = zip(_means(slots, grams), _means(slots, estimated.astype(np.float64)), strict=True)
    roof, price = float(carbon.counts_roof), carbon.price_per_gram
    return [
        slot._replace(carbon=SlotCarbon(mean, roof * mean, price, part > 0))
        for slot, (mean, part) in zip(slots, pairs, strict=True)
    ]


def _means(slots: Sequence[Slot], by_minute: NDArray[np.float64]) -> list[float]:
    """Return the mean of each slot; the minutes begin in that of the first. 0 for an empty slot."""
    first = minute_of(slots[0].start)
    so_far = np.concatenate(([0.0], np.cumsum(by_minute)))
    edges = [(slot.start - EPOCH) / MINUTE - first for slot in slots]
    ends = [edge + slot.hours * 60 for edge, slot in zip(edges, slots, strict=True)]
    minutes = np.arange(len(so_far))
    gained = np.interp(ends, minutes, so_far) - np.interp(edges, minutes, so_far)
    return [
        whole / (slot.hours * 60) if slot.hours > 0 else 0.0
        for slot, whole in zip(slots, gained.tolist(), strict=True)
    ]


def _export_step(prices: Prices, now: datetime, ready_by: datetime, step_minutes: int) -> int:
    """Return the longest tick inside which what export pays does not change either [min]."""
    try:
        export = prices.export
        return step_minutes if export is None else export.step_minutes(now, ready_by, step_minutes)
    except TariffError:
        return step_minutes


def _export_rates(slots: Sequence[Slot], export: Prices) -> Iterator[float]:
    """Yield what export pays at the start of each slot; 0 where no price is known at all."""
    try:
        ahead = iter(export.spans(slots[0].start, slots[-1].end()))
    except TariffError:
        yield from (0.0 for _slot in slots)
        return
    span = next(ahead)
    for slot in slots:
        while span.end <= slot.start:
            span = next(ahead)
        yield float(span.rate)


def _divisor(minutes: int, least: int) -> int:
    """Return the smallest divisor that is not less than `least`, or the number itself."""
    return next((each for each in range(least, minutes) if minutes % each == 0), minutes)


def _slots(
    times: Iterable[tuple[datetime, timedelta]],
    spans: Sequence[RateSpan],
    currents: Sequence[AmpsSpan],
) -> Iterator[Slot]:
    """Give each start and length, in order of time, its rate and the current allowed throughout."""
    changes = [current.start for current in currents]
    always = currents[0].amps if len(currents) == 1 else None
    ahead = iter(spans)
    span = next(ahead)
    for start, length in times:
        while span.end <= start:
            span = next(ahead)
        amps = always
        if amps is None:
            during = slice(bisect_right(changes, start) - 1, bisect_left(changes, start + length))
            amps = min(current.amps for current in currents[during])
        yield Slot(start, length / HOUR, span, amps)

"""Find which prices of a series, or kinds of announced days, are known when a plan is made.

No plan of a simulated year may use what was published later. The next local day's prices, and its
kind, become known at one time of day. A plan made before that takes estimates for later hours, and
is made again when they are known, as the daemon does.
"""

from __future__ import annotations

from bisect import bisect_left, bisect_right
from dataclasses import dataclass
from datetime import datetime, time, timedelta
from typing import TYPE_CHECKING

import numpy as np

from config.files.announcements import announcements_in, prices_in
from planners.local_time.conversion import instant_of_local, local_date, minute_of, wall_time
from planners.rates.composed_rates import rates_of

if TYPE_CHECKING:
    from collections.abc import Sequence
    from zoneinfo import ZoneInfo

    from numpy.typing import NDArray

    from config.files.announcements import RateNews
    from config.files.price_series import PricePoint
    from config.tariffs.tariff import Tariff
    from planners.year.rates import YearRates

DAY = timedelta(days=1)
LOOKED_BACK = timedelta(days=28)
"""How much of the past estimates use: seven days of each time of day, and some to spare."""


@dataclass(frozen=True, slots=True, eq=False)
class Outlook:
    """The rates that a plan expects from one tick of the year on.

    Attributes
    ----------
    tick : int
        The first tick.
    rates : ndarray of float
        Expected rates of that tick and the later ones of the night [currency per kWh].
    """

    tick: int
    rates: NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class PriceKnowledge:
    """A price series, or announced days, as they become known.

    Attributes
    ----------
    tariff : Tariff
        The tariff.
    zone : ZoneInfo
        The household's zone.
    holidays : str or None
        Code of the public holidays.
    points : sequence of RateNews
        All prices and announced days, each in order of time.
    known_at : time
        Local time at which the next local day's prices become known.
    """

    tariff: Tariff
    zone: ZoneInfo
    holidays: str | None
    points: Sequence[RateNews]
    known_at: time

    def outlooks(self, year: YearRates, first: int, end: int) -> list[Outlook]:
        """List the outlooks of a night: one at its start, and one whenever prices arrive.

        Parameters
        ----------
        year : YearRates
            Actual rates.
        first, end : int
            The night's first tick, and the one after its last.

        Returns
        -------
        list of Outlook
            In order of time, the first at `first`; empty if there are no ticks.
        """
        outlooks: list[Outlook] = []
        tick, closes = first, year.instant_of_tick(end)
        while tick < end:
            now = year.instant_of_tick(tick)
            known = self._known_until(now)
            outlooks.append(Outlook(tick, self._expected(year, tick, end, known)))
            if known >= closes:
                break
            tick = max(tick + 1, -(-(self._next_news(now) - year.start) // _tick(year)))
        return outlooks

    def _known_until(self, now: datetime) -> datetime:
        shown = wall_time(now, self.zone)
        days = 2 if shown.time() >= self.known_at else 1
        return instant_of_local(shown.date() + days * DAY, time.min, self.zone)

    def _next_news(self, now: datetime) -> datetime:
        today = wall_time(now, self.zone).date()
        news = (instant_of_local(today + n * DAY, self.known_at, self.zone) for n in range(3))
        return next(instant for instant in news if instant > now)

    def _expected(
        self, year: YearRates, tick: int, end: int, known: datetime
    ) -> NDArray[np.float64]:
        rates = year.rates[tick:end].copy()
        unknown = max(tick, min(end, -(-(known - year.start) // _tick(year))))
        if unknown < end:
            rates[unknown - tick :] = self._estimates(year, unknown, end, known)
        return rates

    def _estimates(
        self, year: YearRates, first: int, end: int, known: datetime
    ) -> NDArray[np.float64]:
        prices, kinds = prices_in(self.points), announcements_in(self.points)
        start = _place(prices, known - LOOKED_BACK)
        today = local_date(known - datetime.resolution, self.zone)
        past: tuple[RateNews, ...] = (
            *prices[start : _place(prices, known)],
            *kinds[: bisect_right(kinds, today, key=lambda made: made.day)],
        )
        minutes = minute_of(year.start) + year.tick_minutes * np.arange(first, end)
        rates = rates_of(self.tariff, self.zone, self.holidays, past)
        runs = rates.runs(int(minutes[0]), int(minutes[-1]) + year.tick_minutes)
        run = np.searchsorted([run.first for run in runs], minutes, side="right") - 1
        found: NDArray[np.float64] = np.array([float(run.rate) for run in runs])[run]
        return found


def _place(points: Sequence[PricePoint], instant: datetime) -> int:
    return bisect_left(points, instant, key=lambda point: point.start)


def _tick(year: YearRates) -> timedelta:
    return timedelta(minutes=year.tick_minutes)

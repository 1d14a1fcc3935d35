"""Find the rates of a price series, and estimate them where no price is known.

A price holds until the next one, but at most `step_minutes` if the file gives them. Otherwise the
step is read off the prices. So a series may change from hours to quarter hours, and missing rows
are noticed in both parts:

- A price holds until the next one starts. But if that gap is longer than the gaps before and after
  it, rows are missing, and the price holds only as long as the longer of those two gaps. (The first
  and the last gap have only one neighbour.)
- The last price holds as long as the one before it. A single price holds for 60 minutes.
- No price holds for more than 24 hours.

A contract may have a rate of its own for the cheapest hours of each local day: those of the lowest
prices that are known of the day.
"""

from __future__ import annotations

from dataclasses import dataclass
from decimal import Decimal
from itertools import pairwise
from typing import TYPE_CHECKING

import numpy as np
from typing_extensions import override

from config.files.errors import TariffError
from planners.local_time.conversion import DAY_MINUTES, EPOCH, MINUTE, minute_of
from planners.local_time.zone_offsets import Offsets, offsets_between
from planners.rates.runs import RateRun, Rates, run_starts

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence
    from zoneinfo import ZoneInfo

    from numpy.typing import NDArray

    from config.files.price_series import PricePoint
    from config.tariffs.price_file import PriceFile
    from config.tariffs.tariff import Tariff

BAND = "price"
"""A price series has one band."""
DAYS_ESTIMATED_FROM = 7
FOREVER = np.iinfo(np.int64).max
MINUTES_PER_HOUR = 60
SINGLE_MINUTES = 60
"""How long a single price holds, as no neighbour shows its step [min]."""


@dataclass(frozen=True, slots=True, eq=False)
class SeriesRates(Rates):
    """The rates of one price series.

    Attributes
    ----------
    tariff : str
        Name of the tariff, for errors.
    zone : ZoneInfo
        The household's zone.
    starts : ndarray of int64, shape (points,)
        UTC minutes from which the prices hold, ascending.
    ends : ndarray of int64, shape (points,)
        UTC minutes until which they hold at most, each.
    rates : tuple of Decimal
        Their rates, tax included [currency per kWh].
    offsets : Offsets
        The zone's offsets in the time for which prices are known.
    """

    tariff: str
    zone: ZoneInfo
    starts: NDArray[np.int64]
    ends: NDArray[np.int64]
    rates: tuple[Decimal, ...]
    offsets: Offsets

    @override
    def runs(self, first: int, last: int) -> list[RateRun]:
        points = self._point_at(np.arange(first, last))
        starts = run_starts(points)
        edges = [*(first + starts).tolist(), last]
        runs: list[RateRun] = []
        for (start, end), point in zip(pairwise(edges), points[starts].tolist(), strict=True):
            if point < 0:
                runs.extend(self._estimates(start, end))
            else:
                runs.append(RateRun(start, BAND, self.rates[point], estimated=False))
        return runs

    @override
    def known_until(self, minute: int) -> int | None:
        point = int(self._point_at(np.array([minute]))[0])
        if point < 0:
            return minute
        holes = np.flatnonzero(self.ends[point:-1] < self.starts[point + 1 :])
        return int(self.ends[point + int(holes[0])] if len(holes) else self.ends[-1])

    def gap_at(self, minute: int) -> tuple[int | None, int | None]:
        """Find when the gap in the prices begins and ends, for a minute without a price.

        Parameters
        ----------
        minute : int
            UTC minute.

        Returns
        -------
        tuple of int or None
            UTC minutes; None if there is no price before it, or none after it.
        """
        after = int(np.searchsorted(self.starts, minute, side="right"))
        ended = int(self.ends[after - 1]) if after else None
        return ended, int(self.starts[after]) if after < len(self.starts) else None

    def _point_at(self, minutes: NDArray[np.int64]) -> NDArray[np.int64]:
        """Return the index of the price that holds at each minute, -1 for none."""
        if not len(self.starts):
            return np.full(minutes.shape, -1)
        point = np.searchsorted(self.starts, minutes, side="right") - 1
        return np.where((point >= 0) & (minutes < self.ends[point]), point, -1)

    def _estimates(self, first: int, last: int) -> Iterator[RateRun]:
        """Estimate the rates from `first` until before `last`, where no price is known."""
        # They come from the days before; before the first price, from the days after it.
        before = int(np.searchsorted(self.starts, first))
        if not len(self.starts):
            raise TariffError(f"no prices of {self.tariff} are known yet")
        local = offsets_between(self.zone, first, last).to_local(np.arange(first, last))
        # All days far from the prices are estimated from the same days nearest to them.
        nearest = self.ends[before - 1] - 1 if before else self.starts[0]
        day = int(self.offsets.to_local(np.array([nearest]))[0]) // DAY_MINUTES
        far_day = (day + 1 if before else day - 1) * DAY_MINUTES
        far = local >= far_day if before else local < far_day + DAY_MINUTES
        local[far] = far_day + local[far] % DAY_MINUTES
        times, place = np.unique(local, return_inverse=True)
        history = self._same_time(times, -1 if before else 1)
        groups = run_starts(history)
        rates = [self._mean(row, before) for row in history[groups].tolist()]
        group = np.searchsorted(groups, place, side="right") - 1
        for start in run_starts(group).tolist():
            yield RateRun(first + start, BAND, rates[group[start]], estimated=True)

    def _same_time(self, times: NDArray[np.int64], direction: int) -> NDArray[np.int64]:
        """Find the nearest known prices at the same time of other days.

        Parameters
        ----------
        times : ndarray of int64, shape (times,)
            Local minutes of one gap in the prices: every price of an earlier day at the same time
            is before the gap.
        direction : int
            -1 for earlier days, 1 for later ones.

        Returns
        -------
        ndarray of int64, shape (times, 7)
            Indices of the prices, filled up with -1.
        """
        history = np.full((len(times), DAYS_ESTIMATED_FROM), -1)
        found = np.zeros(len(times), np.int64)
        open_ = np.arange(len(times))
        oldest, newest = self.offsets.to_local(np.array([self.starts[0], self.ends[-1] - 1]))
        days = 0
        while len(open_):
            days += 1
            then = times[open_] + direction * days * DAY_MINUTES
            point = self._point_at(self.offsets.to_utc(then))
            hit = open_[point >= 0]
            history[hit, found[hit]] = point[point >= 0]
            found[hit] += 1
            is_near = (then >= oldest - DAY_MINUTES) & (then <= newest + DAY_MINUTES)
            open_ = open_[(found[open_] < DAYS_ESTIMATED_FROM) & is_near]
        return history

    def _mean(self, places: Sequence[int], before: int) -> Decimal:
        """Return the mean of these prices; if there are none, of a week's, weighted by time."""
        chosen = [place for place in places if place >= 0]
        if chosen:
            return sum((self.rates[place] for place in chosen), Decimal(0)) / len(chosen)
        week = DAYS_ESTIMATED_FROM * DAY_MINUTES
        first = int(self.ends[before - 1]) - week if before else int(self.starts[0])
        starts = np.maximum(self.starts, first)
        ends = np.minimum(np.minimum(self.ends, np.append(self.starts[1:], FOREVER)), first + week)
        held = [(int(held), self.rates[at]) for at, held in enumerate(ends - starts) if held > 0]
        whole = sum((minutes * rate for minutes, rate in held), Decimal(0))
        return whole / sum(minutes for minutes, _rate in held)


def series_rates_of(tariff: Tariff, zone: ZoneInfo, points: Sequence[PricePoint]) -> SeriesRates:
    """Prepare a price series for looking up rates.

    Parameters
    ----------
    tariff : Tariff
        A tariff of prices.
    zone : ZoneInfo
        The household's zone.
    points : sequence of PricePoint
        Its prices, in any order; may be empty.

    Returns
    -------
    SeriesRates
        Its rates, tax included.

    Raises
    ------
    TariffError
        If a price starts within a minute, or two prices start at one instant.
    ValueError
        If the tariff is one of bands.
    """
    prices = tariff.prices
    if prices is None:
        raise ValueError(f"{tariff.name} is not a price series")
    points = sorted(points, key=lambda point: point.start)
    for point in points:
        if (point.start - EPOCH) % MINUTE:
            raise TariffError(
                f"{tariff.name}: the price of {point.start.isoformat()} starts within a minute"
            )
    for earlier, later in pairwise(points):
        if earlier.start == later.start:
            raise TariffError(f"{tariff.name}: two prices start at {later.start.isoformat()}")
    starts = np.array([minute_of(point.start) for point in points], np.int64)
    ends = _ends(starts, prices.step_minutes)
    known = (starts[0] - DAY_MINUTES, ends[-1] + DAY_MINUTES) if points else (0, 0)
    tax_factor = tariff.tax_factor
    return SeriesRates(
        tariff=tariff.name,
        zone=zone,
        starts=starts,
        ends=ends,
        rates=tuple(rate * tax_factor for rate in _before_tax(prices, points, starts, ends, zone)),
        offsets=offsets_between(zone, int(known[0]), int(known[1])),
    )


def _before_tax(
    prices: PriceFile,
    points: Sequence[PricePoint],
    starts: NDArray[np.int64],
    ends: NDArray[np.int64],
    zone: ZoneInfo,
) -> list[Decimal]:
    rates = [_of_price(prices, point.rate) for point in points]
    contract = prices.cheapest_hours
    if contract is None or not points:
        return rates
    cheap = _cheapest(contract.hours, points, starts, ends, zone)
    for place, rate in enumerate(rates):
        if place in cheap:
            rates[place] = rate + (contract.add or 0) if contract.rate is None else contract.rate
        elif contract.other_rate is not None:
            rates[place] = contract.other_rate
    return rates


def _cheapest(
    hours: int,
    points: Sequence[PricePoint],
    starts: NDArray[np.int64],
    ends: NDArray[np.int64],
    zone: ZoneInfo,
) -> set[int]:
    """Find the prices of the cheapest hours of each local day; of equal ones the earlier."""
    offsets = offsets_between(zone, int(starts[0]), int(starts[-1]) + 1)
    days = (offsets.to_local(starts) // DAY_MINUTES).tolist()
    held = (np.minimum(ends, np.append(starts[1:], FOREVER)) - starts).tolist()
    left: dict[int, int] = {}
    found: set[int] = set()
    for place in sorted(range(len(points)), key=lambda place: (points[place].rate, place)):
        rest = left.setdefault(days[place], hours * MINUTES_PER_HOUR)
        # A price that holds for longer than what is left of the hours is none of them.
        if held[place] <= rest:
            found.add(place)
            left[days[place]] = rest - held[place]
    return found


def _of_price(prices: PriceFile, price: Decimal) -> Decimal:
    rate = prices.multiply * price + prices.add
    if prices.at_most is not None:
        rate = min(rate, prices.at_most)
    return rate if prices.at_least is None else max(rate, prices.at_least)


def _ends(starts: NDArray[np.int64], step_minutes: int | None) -> NDArray[np.int64]:
    """Return the UTC minutes until which each price holds at most."""
    if step_minutes is not None:
        return starts + step_minutes
    if len(starts) <= 1:
        return starts + SINGLE_MINUTES
    gaps = np.diff(starts)
    beside = gaps
    if len(gaps) > 1:
        around = np.concatenate(([0], gaps, [0]))
        beside = np.maximum(around[:-2], around[2:])
    holds = np.minimum(np.minimum(gaps, beside), DAY_MINUTES)
    ends: NDArray[np.int64] = starts + np.append(holds, holds[-1])
    return ends

"""Find the rates that applied to metered energy, if the rate changes with use.

Plans use the rate after the usual use, as nobody knows what will be used. Accounts use the tiers
that the metered energy really reached.
"""

from __future__ import annotations

from bisect import bisect_left
from dataclasses import replace
from datetime import datetime, time, timedelta
from itertools import pairwise
from typing import TYPE_CHECKING

from planners.local_time.conversion import instant_of_local, local_date

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator

    from planners.rates.prices import Prices, RateSpan
    from planners.rates.usage_tiers import UsageTiers

MICROSECOND = timedelta(microseconds=1)


def use_counted_from(prices: Prices, start: datetime, end: datetime) -> datetime | None:
    """Return from when on charging must be known to price a span of time.

    Parameters
    ----------
    prices : Prices
        The household's rates.
    start, end : datetime
        Aware, in order.

    Returns
    -------
    datetime or None
        UTC; None if no rate changes with use.
    """
    spans = prices.spans(start, end)
    return min((_counted_from(prices, span) for span in spans if span.tiers), default=None)


def spans_by_use(
    prices: Prices, start: datetime, end: datetime, charged_wh: Callable[[datetime], int]
) -> tuple[RateSpan, ...]:
    """List the rates of a span of time, by the tiers that the use reached.

    Parameters
    ----------
    prices : Prices
        The household's rates.
    start, end : datetime
        Aware, in order.
    charged_wh : callable
        From an instant to what all charge points had drawn by then, counted from
        `use_counted_from` or earlier; never falls [Wh].

    Returns
    -------
    tuple of RateSpan
        Without gaps, from `start` to `end`, each at one rate.
    """
    return tuple(span for span, _charged in parts_by_use(prices, start, end, charged_wh))


def parts_by_use(
    prices: Prices, start: datetime, end: datetime, charged_wh: Callable[[datetime], int]
) -> Iterator[tuple[RateSpan, int]]:
    """List the same spans, each with what had been charged in its day or month when it began.

    Parameters
    ----------
    prices, start, end, charged_wh
        As for `spans_by_use`.

    Yields
    ------
    tuple of RateSpan and int
        The span, and the energy [Wh]; 0 if its rate does not change with use.
    """
    for span in prices.spans(start, end):
        if span.tiers:
            yield from _by_use(prices, span, span.tiers, charged_wh)
        else:
            yield span, 0


def _by_use(
    prices: Prices, span: RateSpan, tiers: UsageTiers, charged_wh: Callable[[datetime], int]
) -> Iterator[tuple[RateSpan, int]]:
    begins = span.start
    while begins < span.end:
        ends = min(span.end, tiers.counted_until(begins, prices.zone))
        of_period = tiers.of_month(local_date(begins, prices.zone))
        period = replace(span, start=begins, end=ends)
        before_wh = charged_wh(_counted_from(prices, period))
        edges = [begins, *_crossings(period, of_period, charged_wh, before_wh), ends]
        for start, end in pairwise(edges):
            charged = charged_wh(start) - before_wh
            rate = of_period.rate_after(charged)
            yield replace(period, start=start, end=end, rate=rate), charged
        begins = ends


def _crossings(
    span: RateSpan, tiers: UsageTiers, charged_wh: Callable[[datetime], int], before_wh: int
) -> Iterator[datetime]:
    """Find the instants within a span at which charging reaches the next tier."""
    instants = range((span.end - span.start) // MICROSECOND)

    def used(microseconds: int) -> int:
        return charged_wh(span.start + microseconds * MICROSECOND) - before_wh

    for end_wh in tiers.charged_ends_wh:
        place = bisect_left(instants, end_wh, key=used)
        if 0 < place < len(instants):
            yield span.start + place * MICROSECOND


def _counted_from(prices: Prices, span: RateSpan) -> datetime:
    """Return the start of the day, month or tariff, whichever is the latest."""
    if span.tiers is None:
        return span.start
    first = prices.in_force.first_days[
        prices.in_force.place_on(local_date(span.start, prices.zone))
    ]
    begins = span.tiers.counted_from(span.start, prices.zone)
    if first <= local_date(begins, prices.zone):
        return begins
    return instant_of_local(first, time.min, prices.zone)

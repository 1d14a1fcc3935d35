"""Lay out tonight's strip: rates, charging, now and the departure, as shares of its width. Pure."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime, timedelta
from decimal import Decimal
from typing import TYPE_CHECKING, Final

from planners.local_time.conversion import instant_of_local, nearest_minute

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator, Sequence
    from zoneinfo import ZoneInfo

    from planners.rates.spans import RateSpan

HOUR: Final = timedelta(hours=1)
SHORTEST: Final = timedelta(hours=8)
LONGEST: Final = timedelta(hours=36)
MOST_LABELS: Final = 7
EDGE_PERCENT: Final = 5.0
"""So near to an end of the strip there is no room for an hour."""

ROOM_PERCENT: Final = 24.0
"""Two names need this much of the width of a small phone."""

LOWEST_PERCENT: Final = 25.0
"""How high the lowest rate is drawn, of the height of the highest."""


@dataclass(frozen=True, slots=True)
class Bar:
    """A part of the strip: where it begins and how wide it is, in percent of the width.

    `height` is in percent of the strip's height.
    """

    left: float
    width: float
    height: float = 100.0


@dataclass(frozen=True, slots=True)
class HourMark:
    """A full hour under the strip, and where it stands in percent of the width."""

    left: float
    at: datetime


@dataclass(frozen=True, slots=True)
class Strip:
    """What the strip shows.

    Attributes
    ----------
    rates : tuple of Bar
        Rates; the highest has the whole height. Empty if none is known.
    lowest, highest : Decimal or None
        The lowest and the highest of them [currency per kWh].
    charging : tuple of Bar
        When it charges from now on.
    from_roof : tuple of Bar
        When that is to come from the home's own roof, for the most part.
    charged : tuple of Bar
        When it has charged.
    hours : tuple of HourMark
        Full hours to write under it.
    now : float or None
        The present instant, in percent of the width.
    departure : float or None
        The departure, in percent of the width.
    """

    rates: tuple[Bar, ...]
    charging: tuple[Bar, ...]
    hours: tuple[HourMark, ...]
    now: float | None
    departure: float | None
    from_roof: tuple[Bar, ...] = ()
    charged: tuple[Bar, ...] = ()
    lowest: Decimal | None = None
    highest: Decimal | None = None

    @property
    def is_crowded(self) -> bool:
        """Whether now and the departure are too near for their names to stand above each."""
        if self.now is None or self.departure is None:
            return False
        return abs(self.departure - self.now) < ROOM_PERCENT


@dataclass(frozen=True, slots=True)
class Stretch:
    """The time that a strip shows, in UTC."""

    start: datetime
    end: datetime

    def place(self, instant: datetime) -> float:
        """Return where an instant stands, in percent of the width."""
        share = (instant - self.start) / (self.end - self.start)
        return round(100 * min(1.0, max(0.0, share)), 2)

    def bar(self, start: datetime, end: datetime, height: float = 100.0) -> Bar:
        """Return the part of the strip for a span of time."""
        left = self.place(start)
        return Bar(left, round(self.place(end) - left, 2), round(height, 1))

    def bars(self, spans: Iterable[tuple[datetime, datetime]]) -> tuple[Bar, ...]:
        """Return the parts of the strip for spans of time, as far as it shows them."""
        return tuple(
            self.bar(start, end) for start, end in spans if end > self.start and start < self.end
        )


def stretch_of(
    now: datetime,
    departure: datetime | None,
    periods: Sequence[tuple[datetime, datetime]],
    charged: Sequence[tuple[datetime, datetime]] = (),
) -> Stretch:
    """Return the time that the strip is to show: what has been charged, and the departure."""
    start = min([now, *(begin for begin, _ in (*periods, *charged))]) - HOUR
    start = max(start, now - 12 * HOUR)
    end = max([now + SHORTEST, *(end for _, end in periods)])
    if departure is not None:
        end = max(end, departure + HOUR)
    return Stretch(start, min(end, now + LONGEST))


def strip_of(
    stretch: Stretch,
    now: datetime,
    departure: datetime | None,
    periods: Sequence[tuple[datetime, datetime]],
    *,
    charged: Sequence[tuple[datetime, datetime]],
    rates: Sequence[RateSpan],
    zone: ZoneInfo,
    from_roof: Sequence[tuple[datetime, datetime]] = (),
) -> Strip:
    """Lay out a strip.

    Parameters
    ----------
    stretch
        The time that it shows.
    now
        UTC.
    departure
        When the vehicle leaves; None if it does not.
    periods
        When it charges: starts and ends.
    charged
        When it has charged.
    rates
        Of that time; empty if they are not known.
    zone
        The household's.
    from_roof
        When it charges from the roof, for the most part.

    Returns
    -------
    Strip
        What it shows.
    """
    shows_departure = departure is not None and stretch.start <= departure <= stretch.end
    return Strip(
        rates=tuple(_rate_bars(stretch, rates)),
        charging=stretch.bars((max(start, now), end) for start, end in periods if end > now),
        from_roof=stretch.bars((max(start, now), end) for start, end in from_roof if end > now),
        charged=stretch.bars(charged),
        hours=tuple(hour_marks(stretch, zone)),
        now=stretch.place(now),
        departure=stretch.place(departure) if departure is not None and shows_departure else None,
        lowest=min((span.rate for span in rates), default=None),
        highest=max((span.rate for span in rates), default=None),
    )


def _rate_bars(stretch: Stretch, rates: Sequence[RateSpan]) -> Iterator[Bar]:
    if not rates:
        return
    low = min(Decimal(0), *(span.rate for span in rates))
    high = max(span.rate for span in rates)
    for span in rates:
        yield stretch.bar(span.start, span.end, _height(span.rate, low, high))


def _height(rate: Decimal, low: Decimal, high: Decimal) -> float:
    if high == low:
        return LOWEST_PERCENT
    return LOWEST_PERCENT + (100 - LOWEST_PERCENT) * float((rate - low) / (high - low))


def hour_marks(stretch: Stretch, zone: ZoneInfo) -> Iterator[HourMark]:
    """Yield full hours, every second, third, fourth or sixth, so that their times fit."""
    hours = (stretch.end - stretch.start) / HOUR
    step = next(each for each in (1, 2, 3, 4, 6, 12) if hours / each <= MOST_LABELS)
    local = nearest_minute(stretch.start, zone)
    day, last = local.date(), nearest_minute(stretch.end, zone).date()
    while day <= last:
        for hour in range(0, 24, step):
            at = instant_of_local(day, datetime.min.time().replace(hour=hour), zone)
            if EDGE_PERCENT < stretch.place(at) < 100 - EDGE_PERCENT:
                yield HourMark(stretch.place(at), at)
        day += timedelta(days=1)

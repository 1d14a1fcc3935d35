"""Tell the energy of a charge from the home's own roof apart from that of the grid.

The home uses its own power first. So in each interval of the grid meter the part of all vehicles
that comes from the grid is the smaller of what they took and what the home imported; each vehicle
has its share of that by energy. Knows no rates and no bus.
"""

from __future__ import annotations

from bisect import bisect_right
from dataclasses import dataclass
from datetime import timedelta
from itertools import accumulate
from typing import TYPE_CHECKING, Final

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence
    from datetime import datetime

    from planners.rates.spans import RateSpan

GRID_INTERVAL: Final = timedelta(minutes=5)
"""In so much time import and export count apart; a meter that nets them does it in far less."""


@dataclass(frozen=True, slots=True)
class GridInterval:
    """What flowed to and from the grid in an interval.

    Attributes
    ----------
    start : datetime
        UTC.
    import_wh, export_wh : int
        What the home took from the grid, and what it gave to it [Wh].
    """

    start: datetime
    import_wh: int
    export_wh: int

    @property
    def end(self) -> datetime:
        """When it ends, UTC."""
        return self.start + GRID_INTERVAL


@dataclass(frozen=True, slots=True)
class RoofShare:
    """The part of one charge point's energy that came from the home's own generation.

    Where the grid meter was not read, none did. It adds up with the rest to the energy of the
    charge point's meter, to the watt-hour.

    Attributes
    ----------
    export_spans : tuple of RateSpan
        What export would have paid for it, in the time that is accounted for.
    """

    export_spans: tuple[RateSpan, ...]
    _intervals: tuple[GridInterval, ...]
    _ends: tuple[datetime, ...]
    _own_until: Callable[[datetime], int]
    _roof_wh: tuple[int, ...]
    _roof_wh_before: tuple[int, ...]

    def until(self, instant: datetime) -> int:
        """Return the energy from the roof by an instant; it never falls [Wh]."""
        done = bisect_right(self._ends, instant)
        wh = self._roof_wh_before[done]
        if done < len(self._ends) and self._intervals[done].start < instant:
            # Within an interval it has a constant share of the vehicle's energy.
            interval, own_until = self._intervals[done], self._own_until
            begun = own_until(interval.start)
            own_wh = own_until(interval.end) - begun
            wh += self._roof_wh[done] * (own_until(instant) - begun) // own_wh if own_wh else 0
        return wh

    def between(self, start: datetime, end: datetime) -> int:
        """Return the energy from the roof in some time [Wh]."""
        return self.until(end) - self.until(start)

    def surplus_wh(self, start: datetime, end: datetime) -> float:
        """Add what it had from the roof in some time, and what the home exported then [Wh]."""
        wh = float(self.between(start, end))
        first = bisect_right(self._ends, start)
        for interval in self._intervals[first:]:
            if interval.start >= end:
                break
            part = min(interval.end, end) - max(interval.start, start)
            wh += interval.export_wh * (part / GRID_INTERVAL)
        return wh


def roof_share(
    intervals: Sequence[GridInterval],
    export_spans: Sequence[RateSpan],
    own_until: Callable[[datetime], int],
    others_until: Sequence[Callable[[datetime], int]] = (),
) -> RoofShare:
    """Find what came from the roof at one charge point.

    Parameters
    ----------
    intervals : sequence of GridInterval
        What the grid meter showed, in order of time.
    export_spans : sequence of RateSpan
        What export pays in the time that is accounted for.
    own_until : callable
        From an instant to the charge point's energy by then; never falls [Wh].
    others_until : sequence of callable
        The same of the home's other charge points.

    Returns
    -------
    RoofShare
        A fraction of a watt-hour in an interval counts as from the grid.
    """
    roof_wh: list[int] = []
    for interval in intervals:
        own_wh, *others_wh = (
            until(interval.end) - until(interval.start) for until in (own_until, *others_until)
        )
        all_wh = own_wh + sum(others_wh)
        from_roof_wh = max(0, all_wh - interval.import_wh)
        roof_wh.append(from_roof_wh * own_wh // all_wh if all_wh else 0)
    return RoofShare(
        tuple(export_spans),
        tuple(intervals),
        tuple(interval.end for interval in intervals),
        own_until,
        tuple(roof_wh),
        tuple(accumulate(roof_wh, initial=0)),
    )

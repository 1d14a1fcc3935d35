"""Find which of a household's dated tariffs is in force, by local date."""

from __future__ import annotations

from bisect import bisect_right
from dataclasses import dataclass
from datetime import date, time
from itertools import pairwise
from typing import TYPE_CHECKING

import numpy as np

from config.files.errors import TariffError
from planners.local_time.conversion import (
    DAY_MINUTES,
    date_of,
    instant_of,
    instant_of_local,
    local_date,
    minute_of,
)
from planners.local_time.zone_offsets import offsets_between
from planners.rates.runs import run_starts

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence
    from zoneinfo import ZoneInfo


@dataclass(frozen=True, slots=True)
class TariffsInForce:
    """Which tariff is in force, by the first day of each.

    Attributes
    ----------
    zone : ZoneInfo
        The household's zone; tariffs change at local midnight, whatever the meter's clock shows.
    first_days : tuple of date
        Local date on which each tariff comes into force, ascending.
    """

    zone: ZoneInfo
    first_days: tuple[date, ...]

    @classmethod
    def of(cls, zone: ZoneInfo, valid_from: Sequence[date | None]) -> TariffsInForce:
        """Prepare the dates of tariffs for looking up which is in force.

        Parameters
        ----------
        zone : ZoneInfo
            The household's zone.
        valid_from : sequence of date or None
            Dates, ascending; None for a tariff that has always been in force.

        Returns
        -------
        TariffsInForce
            The same, ready to be asked.
        """
        return cls(zone, tuple(day or date.min for day in valid_from))

    def place_on(self, day: date) -> int:
        """Find the tariff in force on a local date.

        Parameters
        ----------
        day : date
            Local date.

        Returns
        -------
        int
            Its index.

        Raises
        ------
        TariffError
            If the first tariff is not yet in force.
        """
        place = bisect_right(self.first_days, day) - 1
        if place < 0:
            raise TariffError(
                f"no tariff is in force on {day.isoformat()}: "
                f"the first is valid from {self.first_days[0].isoformat()}"
            )
        return place

    def begins(self, place: int) -> int:
        """Find when a tariff after the first comes into force.

        Parameters
        ----------
        place : int
            Its index.

        Returns
        -------
        int
            UTC minute.
        """
        return minute_of(instant_of_local(self.first_days[place], time.min, self.zone))

    def periods(self, first: int, last: int) -> Iterator[tuple[int, int, int]]:
        """List the tariffs in force from `first` until before `last`.

        Parameters
        ----------
        first, last : int
            UTC minutes; `first` is before `last`.

        Yields
        ------
        tuple of int
            Index of the tariff, its first UTC minute, and the UTC minute after its last one.
        """
        if len(self.first_days) == 1:
            yield self.place_on(local_date(instant_of(first), self.zone)), first, last
            return
        local = offsets_between(self.zone, first, last).to_local(np.arange(first, last))
        days = local // DAY_MINUTES
        changes = run_starts(days)
        places = [self.place_on(date_of(day)) for day in days[changes].tolist()]
        starts = run_starts(np.array(places))
        edges = [*(first + changes[starts]).tolist(), last]
        for (start, end), place in zip(pairwise(edges), starts.tolist(), strict=True):
            yield places[place], start, end

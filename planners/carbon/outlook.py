"""Find the carbon intensity of the grid at any instant, known or estimated.

Where nothing is known, the mean of the same local half-hour stands in: of the last seven known days
before, else of the first seven after; if none of them knows that half-hour, the mean of all that is
known.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import cached_property
from itertools import pairwise
from typing import TYPE_CHECKING, Final, NamedTuple

import numpy as np

from planners.generation.forecast import known_until, values_by_minute
from planners.local_time.conversion import DAY_MINUTES, minute_of
from planners.local_time.zone_offsets import offsets_between

if TYPE_CHECKING:
    from datetime import datetime
    from zoneinfo import ZoneInfo

    from numpy.typing import NDArray

    from config.files.forecast_series import IntensityPoint
    from config.home.carbon import Carbon

    Row = NDArray[np.float64]

GRAMS_PER_TONNE: Final = 1_000_000.0

DAYS_ESTIMATED_FROM: Final = 7

MOST_DAYS: Final = 92
"""Estimates look no further back than this from the last known day."""

HALF_HOUR: Final = 30
HALF_HOURS: Final = DAY_MINUTES // HALF_HOUR


class IntensityRun(NamedTuple):
    """One intensity over some time.

    Attributes
    ----------
    first, last : int
        UTC minutes, half-open.
    grams : float
        The intensity of the grid [g CO2e per kWh].
    estimated : bool
        Whether it is an estimate.
    """

    first: int
    last: int
    grams: float
    estimated: bool


@dataclass(frozen=True, eq=False)
class CarbonOutlook:
    """What is known of the grid's carbon, and what a plan counts for it.

    Attributes
    ----------
    carbon : Carbon
        What the household declares.
    zone : ZoneInfo
        The household's zone.
    points : tuple of IntensityPoint
        The intensities, of files and of the bus.
    is_free : bool
        Whether carbon is to cost nothing, for a comparison with plans in which it does.
    """

    carbon: Carbon
    zone: ZoneInfo
    points: tuple[IntensityPoint, ...] = ()
    is_free: bool = False

    @property
    def is_known(self) -> bool:
        """Whether any intensity is known."""
        return bool(self.points)

    @property
    def has_price(self) -> bool:
        """Whether plans count it: it has a price, and something of it is known."""
        return self.carbon.price_per_tonne > 0 and self.is_known

    @property
    def price_per_gram(self) -> float:
        """What plans count for it [currency per g CO2e]."""
        return 0.0 if self.is_free else self.carbon.price_per_tonne / GRAMS_PER_TONNE

    @property
    def counts_roof(self) -> bool:
        """Whether energy of the home's own roofs counts as the grid's does.

        Average: no, it causes nothing. Marginal: yes, as the same energy, exported, would have
        displaced other generation.
        """
        return self.carbon.kind == "marginal"

    @property
    def known_until(self) -> datetime | None:
        """The end of the intensities that are known, UTC; None without any."""
        return known_until(self.points, self.carbon.step_minutes)

    def as_free(self) -> CarbonOutlook:
        """Return the same outlook, with carbon that costs nothing."""
        return replace(self, is_free=True)

    def grams(self, first: int, last: int) -> tuple[Row, NDArray[np.bool_]]:
        """Return the intensity of each minute, and whether it is an estimate.

        Parameters
        ----------
        first, last : int
            UTC minutes; `last` is the first one outside.

        Returns
        -------
        tuple of ndarray, each of shape (last - first,)
            Intensities [g CO2e per kWh], and whether each is estimated.

        Raises
        ------
        ValueError
            If nothing is known: ask `is_known` first.
        """
        if not self.is_known:
            raise ValueError("no intensity is known")
        found = values_by_minute(self.points, self.carbon.step_minutes, first, last)
        estimated = np.isnan(found)
        if estimated.any():
            minutes = np.arange(first, last)[estimated]
            local = offsets_between(self.zone, first, last).to_local(minutes)
            slots, place = np.unique(local // HALF_HOUR, return_inverse=True)
            found[estimated] = np.array([self._estimate(slot) for slot in slots.tolist()])[place]
        return found, estimated

    def runs(self, first: int, last: int) -> list[IntensityRun]:
        """List the intensities of some time, without a gap; neighbours differ.

        Parameters
        ----------
        first, last : int
            UTC minutes; `last` is the first one outside.

        Returns
        -------
        list of IntensityRun
            In order of time.
        """
        grams, estimated = self.grams(first, last)
        edges = [0, *_changes(grams, estimated), len(grams)]
        return [
            IntensityRun(first + begin, first + end, float(grams[begin]), bool(estimated[begin]))
            for begin, end in pairwise(edges)
            if begin < end
        ]

    def changes(self, first: int, last: int) -> list[int]:
        """List the UTC minutes in some time at which the intensity changes."""
        grams, _ = self.grams(first, last)
        return [first + place for place in _changes(grams)]

    @cached_property
    def _days(self) -> tuple[int, Row]:
        """The first local day that is known, and means by day and half-hour, NaN if unknown."""
        starts = [minute_of(point.start) for point in self.points]
        until = self.known_until
        last = minute_of(until) if until else max(starts) + 1
        first = max(min(starts), last - MOST_DAYS * DAY_MINUTES)
        values = values_by_minute(self.points, self.carbon.step_minutes, first, last)
        slots = offsets_between(self.zone, first, last).to_local(np.arange(first, last))
        slots //= HALF_HOUR
        day = int(slots[0]) // HALF_HOURS
        known = ~np.isnan(values)
        cells = slots[known] - day * HALF_HOURS
        size = (int(slots[-1]) // HALF_HOURS - day + 1) * HALF_HOURS
        counts = np.bincount(cells, minlength=size)
        sums = np.bincount(cells, values[known], minlength=size)
        means = np.where(counts > 0, sums / np.maximum(counts, 1), np.nan)
        return day, means.reshape(-1, HALF_HOURS)

    def _estimate(self, slot: int) -> float:
        """Estimate the intensity of a local half-hour [g CO2e per kWh]."""
        first_day, days = self._days
        day, half_hour = divmod(slot, HALF_HOURS)
        before = np.clip(day - first_day, 0, len(days))
        column = days[:, half_hour]
        earlier, later = column[:before], column[before:]
        for near in (
            earlier[~np.isnan(earlier)][-DAYS_ESTIMATED_FROM:],
            later[~np.isnan(later)][:DAYS_ESTIMATED_FROM],
        ):
            if len(near):
                return float(near.mean())
        return float(np.nanmean(days))


def _changes(*rows: NDArray[np.float64] | NDArray[np.bool_]) -> list[int]:
    """List the places at which any of the rows changes."""
    changed = np.zeros(max(0, len(rows[0]) - 1), np.bool_)
    for row in rows:
        changed |= row[1:] != row[:-1]
    places: list[int] = (np.flatnonzero(changed) + 1).tolist()
    return places

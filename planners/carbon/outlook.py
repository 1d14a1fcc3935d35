"""Find the carbon intensity of the grid at any instant, known or estimated.

Where nothing is known, the mean of the same local half-hour stands in: of the last seven known days
before, else of the first seven after; if none of them knows that half-hour, the mean of all that is
known.
"""

from __future__ import annotations

from copy import copy
from dataclasses import dataclass
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

LONG_GAP: Final = 2 * DAY_MINUTES
"""No value holds longer than a day: beyond this nothing is laid out by minutes [min]."""

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
        free = copy(self)  # with what has been laid out already
        object.__setattr__(free, "is_free", True)
        return free

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
        found = np.full(last - first, np.nan)
        for start, values in self._stretches:
            begin, end = max(first, start), min(last, start + len(values))
            if begin < end:
                found[begin - first : end - first] = values[begin - start : end - start]
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
    def _stretches(self) -> list[tuple[int, Row]]:
        """The first UTC minute of each stretch without a long gap, and its values by minute."""
        step = self.carbon.step_minutes
        points = sorted(self.points, key=lambda point: point.start)
        starts = [minute_of(point.start) for point in points]
        breaks = [n for n in range(1, len(starts)) if starts[n] - starts[n - 1] > LONG_GAP]
        found = []
        for begin, end in pairwise([0, *breaks, len(starts)]):
            last = starts[end - 1] + (step or DAY_MINUTES)
            values = values_by_minute(points[begin:end], step, starts[begin], last)
            found.append((starts[begin], values))
        return found

    @cached_property
    def _days(self) -> tuple[NDArray[np.int64], Row]:
        """The local days that are known, and means by day and half-hour, NaN if unknown."""
        known: dict[int, Row] = {}
        for first, values in self._stretches:
            last = first + len(values)
            slots = offsets_between(self.zone, first, last).to_local(np.arange(first, last))
            slots //= HALF_HOUR
            is_known = ~np.isnan(values)
            day = int(slots[0]) // HALF_HOURS
            size = (int(slots[-1]) // HALF_HOURS - day + 1) * HALF_HOURS
            cells = slots[is_known] - day * HALF_HOURS
            counts = np.bincount(cells, minlength=size)
            sums = np.bincount(cells, values[is_known], minlength=size)
            means = np.where(counts > 0, sums / np.maximum(counts, 1), np.nan)
            for number, row in enumerate(means.reshape(-1, HALF_HOURS), start=day):
                before = known.setdefault(number, row)
                known[number] = np.where(np.isnan(before), row, before)
        days = sorted(known)
        return np.array(days), np.array([known[day] for day in days])

    def _estimate(self, slot: int) -> float:
        """Estimate the intensity of a local half-hour [g CO2e per kWh]."""
        numbers, days = self._days
        day, half_hour = divmod(slot, HALF_HOURS)
        before = int(np.searchsorted(numbers, day))
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
